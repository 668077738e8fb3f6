// What pages do in the browser: tables that sort and filter, a choice of metric, readings under the pointer. What was
// chosen is in the address, so that it can be kept, sent, and is there again after going back. Nothing is fetched.
// Without this script every number and every first picture is still there.
"use strict";

// --- The address ------------------------------------------------------------------------------------------------------

const chosen = () => new URLSearchParams(window.location.hash.slice(1));
function choose(name, value) {
  const all = chosen();
  if (value) all.set(name, value);
  else all.delete(name);
  const text = all.toString();
  window.history.replaceState(null, "", text ? `#${text}` : window.location.pathname + window.location.search);
}

// --- Tables -----------------------------------------------------------------------------------------------------------

function valueOf(row, column, kind) {
  const cell = row.cells[column];
  const text = cell.dataset.value ?? cell.textContent.trim();
  // Who has none comes last.
  if (kind !== "number") return text || null;
  // As it is written: with a minus sign, and a comma in some languages.
  const value = Number(text.replace("\u2212", "-").replace(",", "."));
  return text === "" || Number.isNaN(value) ? null : value;
}

function sortBy(table, header, direction) {
  const column = header.cellIndex;
  const kind = header.dataset.sort;
  const sign = direction === "ascending" ? 1 : -1;
  const rows = [...table.tBodies[0].rows];
  rows.sort((a, b) => {
    const [x, y] = [valueOf(a, column, kind), valueOf(b, column, kind)];
    if (x === null || y === null) return (x === null) - (y === null);
    return sign * (kind === "number" ? x - y : x.localeCompare(y));
  });
  table.tBodies[0].append(...rows);
  for (const other of header.parentElement.cells) other.removeAttribute("aria-sort");
  header.setAttribute("aria-sort", direction);
}

for (const table of document.querySelectorAll("table[data-sortable]")) {
  for (const header of table.tHead.rows[0].cells) {
    if (!header.dataset.sort) continue;
    const button = document.createElement("button");
    button.type = "button";
    button.append(...header.childNodes);
    header.append(button);
    button.addEventListener("click", () => {
      const first = header.dataset.first ?? "ascending";
      const other = first === "ascending" ? "descending" : "ascending";
      const direction = header.getAttribute("aria-sort") === first ? other : first;
      sortBy(table, header, direction);
      choose("sort", `${header.dataset.key}-${direction}`);
    });
  }
  const [key, direction] = (chosen().get("sort") ?? "").split("-");
  const header = [...table.tHead.rows[0].cells].find((cell) => cell.dataset.sort && cell.dataset.key === key);
  if (header && ["ascending", "descending"].includes(direction)) sortBy(table, header, direction);
}

// Says of a table that it goes on sideways, where it does.
document.documentElement.style.setProperty("--scrolls", JSON.stringify(document.body.dataset.scrolls ?? "\u2192"));
function sayWhatScrolls() {
  for (const one of document.querySelectorAll(".wide")) one.classList.toggle("scrolls", one.scrollWidth > one.clientWidth + 1);
}
sayWhatScrolls();
window.addEventListener("resize", sayWhatScrolls);
document.addEventListener("toggle", sayWhatScrolls, true);

// What a finding is in the filter.
const STATES = { rises: "changes", falls: "changes", changes_late: "changes", holds: "steady", unclear: "open", too_little_data: "few" };

function filtering(form) {
  const tables = [...form.parentElement.querySelectorAll("table.people")];
  const controls = [...form.querySelectorAll("[data-filter]")];
  const value = (name) => form.querySelector(`[data-filter=${name}]`)?.value ?? "";
  const places = new Map();
  for (const table of tables) {
    for (const cell of table.tHead.rows[0].cells) if (cell.classList.contains("metric")) places.set(cell.dataset.key, [table, cell.cellIndex]);
  }
  const findings = new Map();
  const told = (name, metric) => findings.get(`${metric} ${name}`);
  for (const [metric, [table, place]] of places) {
    for (const row of table.tBodies[0].rows) findings.set(`${metric} ${row.cells[0].dataset.value}`, row.cells[place].classList[1]);
  }
  const apply = () => {
    const [name, state, metric, squad] = [value("name").trim().toLowerCase(), value("state"), value("metric"), value("squad")];
    for (const control of controls) choose(control.dataset.filter, control.value.trim());
    let n = 0;
    for (const table of tables) {
      for (const row of table.tBodies[0].rows) {
        const of = row.cells[0].dataset.value;
        const own = metric ? STATES[told(of, metric)] : row.dataset.state;
        const fits = !state || (state === "complaint" ? "complaint" in row.dataset : own === state);
        row.hidden = !(fits && (!squad || row.dataset.squad === squad) && of.toLowerCase().includes(name) && (!metric || own));
        if (table === tables[0] && !row.hidden) n += 1;
      }
    }
    const counter = form.querySelector("[data-count]");
    counter.textContent = n === tables[0].tBodies[0].rows.length ? "" : counter.dataset.count.replace("{n}", n);
  };
  for (const control of controls) {
    const kept = chosen().get(control.dataset.filter) ?? "";
    if (control.tagName !== "SELECT" || [...control.options].some((option) => option.value === kept)) control.value = kept;
  }
  apply();
  form.addEventListener("input", apply);
  form.addEventListener("submit", (event) => event.preventDefault());
}
document.querySelectorAll("form[data-filters]").forEach(filtering);

// --- The choice of a metric -------------------------------------------------------------------------------------------

function show(metric) {
  for (const part of document.querySelectorAll("[data-metric]")) part.hidden = part.dataset.metric !== metric;
}
for (const choice of document.querySelectorAll("[data-choose]")) {
  const kept = [...choice.querySelectorAll("input")].find((input) => input.value === chosen().get("metric"));
  if (kept) kept.checked = true;
  const now = choice.querySelector("input:checked");
  if (now) show(now.value);
  choice.addEventListener("change", (event) => {
    show(event.target.value);
    choose("metric", event.target.value);
  });
}

// --- Readings under the pointer, the finger, the keys -----------------------------------------------------------------

const SVG = "http://www.w3.org/2000/svg";
const WIDTH = 1000;

for (const figure of document.querySelectorAll("figure[data-picture]")) {
  const reading = figure.querySelector(".reading");
  const pictures = [...figure.querySelectorAll("svg[data-x]")].map((svg) => {
    const line = document.createElementNS(SVG, "path");
    line.setAttribute("class", "pointer");
    svg.querySelector(".marks").append(line);
    const texts = svg.dataset.says?.split("|") ?? [...svg.querySelectorAll("a")].map((link) => link.getAttribute("aria-label"));
    return { svg, line, name: svg.closest("[data-name]")?.dataset.name, places: svg.dataset.x.split(" ").map(Number), texts };
  });
  if (!reading || !pictures.length) continue;
  let at = -1;
  const tell = (place) => {
    at = Math.min(Math.max(place, 0), pictures[0].places.length - 1);
    for (const { line, places } of pictures) line.setAttribute("d", `M${places[at] ?? 0} 0V${WIDTH}`);
    const texts = pictures.filter(({ texts }) => texts[at]).map(({ name, texts }) => (name ? `${name} ${texts[at]}` : texts[at]));
    reading.textContent = [figure.dataset.split?.replace("{n}", at + 1), ...texts].filter(Boolean).join(" \u00b7 ");
  };
  for (const { svg, places } of pictures) {
    svg.addEventListener("pointermove", (event) => {
      const box = svg.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * WIDTH;
      tell(places.reduce((best, place, index) => (Math.abs(place - x) < Math.abs(places[best] - x) ? index : best), 0));
    });
    svg.addEventListener("pointerdown", (event) => svg.dispatchEvent(new PointerEvent("pointermove", event)));
    svg.addEventListener("focus", () => tell(at < 0 ? 0 : at));
    svg.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1, Home: -places.length, End: places.length }[event.key];
      if (step === undefined || event.target !== svg) return;
      event.preventDefault();
      tell(at + step);
    });
  }
}
document.documentElement.dataset.drawn = "yes";
