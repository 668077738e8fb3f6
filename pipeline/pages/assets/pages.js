// What pages do in the browser: dates in the viewer's form, tables that sort and filter, charts from the page's data.
// Nothing is fetched. Without this script every number is still there, in the tables.
"use strict";

// --- Dates -----------------------------------------------------------------------------------------------------------

// The day it was in UTC, as in the tables: a viewer elsewhere would else see another day than they say.
const DAY = { timeZone: "UTC", year: "numeric", month: "short", day: "numeric" };
const asDay = (text) => {
  const at = new Date(text);
  return Number.isNaN(at.getTime()) ? text : at.toLocaleDateString(undefined, DAY);
};
for (const time of document.querySelectorAll("time")) time.textContent = asDay(time.dateTime);

// The same along an axis, in the words of the library that draws: names of months, and whether they precede the day.
const monthsAs = (month) =>
  Array.from({ length: 12 }, (_, place) => new Date(Date.UTC(2026, place, 15)).toLocaleDateString(undefined, { timeZone: "UTC", month }));
const dayParts = new Intl.DateTimeFormat(undefined, { day: "numeric", month: "short" }).formatToParts(0).map(({ type }) => type);
const DAY_OF_AXIS = dayParts.indexOf("month") < dayParts.indexOf("day") ? "%b %-d" : "%-d %b";
const DAY_LABEL = `utcFormat(datum.value, utcdate(datum.value) > 1 ? '${DAY_OF_AXIS}' : utcmonth(datum.value) > 0 ? '%B' : '%Y')`;
const LOCALE = {
  dateTime: "%x, %X", date: "%x", time: "%X", periods: ["AM", "PM"], months: monthsAs("long"), shortMonths: monthsAs("short"),
  days: Array(7).fill(""), shortDays: Array(7).fill(""),
};

// --- Tables ----------------------------------------------------------------------------------------------------------

function valueOf(row, column, kind) {
  const cell = row.cells[column];
  const text = cell.dataset.value ?? cell.textContent.trim();
  return kind === "number" ? Number(text) : text;
}

function sortBy(table, header, direction) {
  const column = header.cellIndex;
  const kind = header.dataset.sort;
  const sign = direction === "ascending" ? 1 : -1;
  const rows = [...table.tBodies[0].rows];
  rows.sort((a, b) => {
    const [x, y] = [valueOf(a, column, kind), valueOf(b, column, kind)];
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
      sortBy(table, header, header.getAttribute("aria-sort") === first ? other : first);
    });
  }
}

// What a finding is in the filter; all others leave it open.
const STATES = { rises: "changes", falls: "changes", changes_late: "changes", holds: "holds" };

// Says of a table that it goes on sideways, where it does.
function sayWhatScrolls() {
  for (const one of document.querySelectorAll(".wide")) one.classList.toggle("scrolls", one.scrollWidth > one.clientWidth + 1);
}
sayWhatScrolls();
window.addEventListener("resize", sayWhatScrolls);
document.addEventListener("toggle", sayWhatScrolls, true);

function filtering(form) {
  const table = form.parentElement.querySelector("table");
  const rows = [...table.tBodies[0].rows];
  const value = (name) => form.querySelector(`[data-filter=${name}]`).value;
  const apply = () => {
    const [name, finding, metric] = [value("name").trim().toLowerCase(), value("finding"), value("metric")];
    for (const row of rows) {
      // "contact_time_ms:rises cadence_spm:holds": of a metric chosen its own finding is sought, else that of form.
      const pairs = row.dataset.findings.split(" ").filter(Boolean).map((pair) => pair.split(":"));
      const own = pairs.find(([of]) => of === metric)?.[1];
      const state = metric ? STATES[own] ?? "open" : row.dataset.form;
      const named = row.cells[0].dataset.value.toLowerCase().includes(name);
      row.hidden = !((!finding || state === finding) && named && (!metric || own));
    }
    const n = rows.filter((row) => !row.hidden).length;
    form.querySelector("[data-count]").textContent = n === rows.length ? "" : `${n} of ${rows.length} shown`;
    document.dispatchEvent(new CustomEvent("filtered"));
  };
  form.addEventListener("input", apply);
  form.addEventListener("submit", (event) => event.preventDefault());
}
document.querySelectorAll("form[data-filters]").forEach(filtering);

// --- Units -----------------------------------------------------------------------------------------------------------

const shown = document.getElementById("data");
const page = shown ? JSON.parse(shown.textContent) : null;
const units = page?.units;
const KM_PER_MILE = 1.609344;
const inDistance = (km) => (units.distance === "km" ? km : km / KM_PER_MILE);
const isPace = () => units.speed !== "m/s";
const inSpeed = (metresPerSecond) =>
  isPace() ? (units.speed === "min/km" ? 1000 : 1000 * KM_PER_MILE) / metresPerSecond / 60 : metresPerSecond;
// A pace of 5.25 minutes reads 5:15.
const PACE_LABEL = "floor(datum.value + 1 / 120) + ':' + pad(floor((datum.value + 1 / 120) % 1 * 60), 2, '0', 'left')";

// --- Charts ----------------------------------------------------------------------------------------------------------

const MOST_LINES = 40;
const NARROW = 480;
const named = (run) => `${asDay(run.date)}${run.session ? ` (session ${run.session})` : ""}`;
const labelOf = (run) => `${named(run)}, ${inDistance(run.km).toFixed(1)} ${units.distance}`;

// Places in the colours or shapes, the same on all pages: that in the list of the club. The few of an athlete are told
// apart all the same: a place that another has goes on to the next.
function inSeries(seen, all) {
  return (range) => {
    const places = new Map();
    for (const name of all.filter((one) => seen.includes(one))) {
      let place = all.indexOf(name);
      for (let tried = 0; tried < range.length && [...places.values()].includes(place % range.length); tried += 1) place += 1;
      places.set(name, place % range.length);
    }
    return { domain: [...places.keys()], range: [...places.values()].map((place) => range[place]) };
  };
}

// What each chart is drawn from: the data sets that its specification names, and what depends on metric and units.
const DRAW = {
  club(metric) {
    const { rows, matters } = page.metrics[metric];
    const visible = new Set([...document.querySelectorAll(".people tbody tr:not([hidden])")].map((row) => row.cells[0].dataset.value));
    const largest = rows.filter((row) => visible.has(row[0])).sort((a, b) => Math.abs(b[1]) - Math.abs(a[1])).slice(0, MOST_LINES);
    const club = largest.map(([athlete, change, low, high, finding], order) => (
      { athlete, change, low, high, finding, order, interval: `${low} to ${high}` }));
    return { datasets: { club, matters: matters === null ? [] : [{ low: -matters, high: matters }] }, height: 22 * Math.max(1, club.length) };
  },
  parts() {
    const names = ["pace", "hill", "what remains"];
    const rows = Object.values(page.metrics);
    const parts = rows.flatMap(({ label, order, parts: found }) =>
      names.map((part, place) => ({ metric: label, order, part, percent: found[place] })));
    const inAll = rows.map(({ label, order, parts: found }) => ({ metric: label, order, percent: found[3] }));
    return { datasets: { parts, in_all: inAll }, height: 40 * rows.length };
  },
  pacing() {
    const pacing = page.pacing.map(([part, percent, low, high]) => ({ part, percent, low, high, interval: `${low} to ${high}` }));
    return { datasets: { pacing }, height: 90 };
  },
  runs(metric, width) {
    const { splits, lines } = page.metrics[metric];
    const rows = [];
    const named = lines.map((line) => line[0]).sort((a, b) => b - a);
    const about = (run) => ({ run: labelOf(page.runs[run]), order: named.indexOf(run) });
    page.splits.run.forEach((run, place) => {
      if (splits[place] !== null && named.includes(run)) {
        rows.push({ ...about(run), kind: "split", distance: inDistance(page.splits.km[place]), percent: splits[place] });
      }
    });
    for (const [run, onset, middle, middlePct, from, to, fromPct, toPct, fromLow, fromHigh, toLow, toHigh] of lines) {
      const at = [[from, fromPct, fromLow, fromHigh], [middle, middlePct, middlePct, middlePct], [to, toPct, toLow, toHigh]];
      for (const [km, percent, low, high] of at) {
        rows.push({ ...about(run), kind: "line", distance: inDistance(km), percent });
        rows.push({ ...about(run), kind: "band", distance: inDistance(km), low, high });
      }
      if (onset !== null) rows.push({ ...about(run), kind: "onset", distance: inDistance(onset) });
    }
    const columns = Math.max(1, Math.min(5, Math.floor((width + 10) / 205)));
    return { datasets: { runs: rows }, columns, panel: { width: Math.floor(width / columns) - 50 } };
  },
  curve(metric) {
    const { splits, fresh, bent, reference, to_speed: [linear, squared], label, unit } = page.metrics[metric];
    const level = (speed) => fresh * Math.exp(linear * Math.log(speed / reference) + squared * Math.log(speed / reference) ** 2);
    const longest = page.runs.map((run) => run.km);
    const points = [];
    page.splits.run.forEach((run, place) => {
      const share = page.splits.km[place] / longest[run];
      if (splits[place] === null || (share > 1 / 3 && share < 2 / 3)) return;
      const speed = page.splits.speed[place];
      points.push({
        speed: inSpeed(speed), value: level(speed) * (1 + splits[place] / 100) * Math.exp(-(bent[run] ?? 0)), part: share < 0.5 ? "first" : "last",
        run: named(page.runs[run]), distance: inDistance(page.splits.km[place]),
      });
    });
    const speeds = page.splits.speed.filter((_, place) => splits[place] !== null);
    const [slowest, fastest] = [Math.min(...speeds), Math.max(...speeds)];
    const curve = Array.from({ length: 41 }, (_, place) => slowest + (place / 40) * (fastest - slowest))
      .map((speed, order) => ({ speed: inSpeed(speed), value: level(speed), order }));
    return { datasets: { points, curve }, height: 300, titles: { x: `speed, ${units.speed}`, y: `${label}, ${unit}` }, isSpeed: true };
  },
  season(metric) {
    const { season, months } = page.metrics[metric];
    const rows = season.map(([run, percent, low, high]) => ({
      ...page.runs[run], run: named(page.runs[run]), percent, low, high, listed: Boolean(page.runs[run].shoe && page.runs[run].surface),
      shoe: page.runs[run].shoe ?? "not listed", surface: page.runs[run].surface ?? "not listed",
    }));
    const monthly = months.map(([month, percent, low, high]) => {
      const [year, number] = month.split("-").map(Number);
      const next = number === 12 ? `${year + 1}-01` : `${year}-${String(number + 1).padStart(2, "0")}`;
      return { from: `${month}-01`, to: `${next}-01`, percent, low: low ?? percent, high: high ?? percent };
    });
    const dates = rows.map((row) => row.date).sort();
    const last = dates[dates.length - 1];
    const within = page.complaints.filter(({ from, to }) => from <= last && (to === null || to >= dates[0]));
    // What is not over runs to the edge of the picture.
    const edge = [last, ...monthly.map(({ to }) => to), ...within.map(({ to }) => to ?? last)].sort().pop();
    const complaints = within.map((one) => ({ ...one, to: one.to ?? edge }));
    const seen = (name) => [...new Set(rows.map((row) => row[name]))];
    return {
      datasets: { season: rows, months: monthly, complaints }, height: 260, isDated: true,
      series: { color: inSeries(seen("shoe"), window.SHOES ?? []), shape: inSeries(seen("surface"), page.surfaces) },
    };
  },
  landing() {
    const order = window.CHARTS.landing.encoding.color.sort;
    const landing = page.landing.map(({ strike, n, km }) => (
      { strike, n, distance: `${inDistance(km).toFixed(1)} ${units.distance}`, order: order.indexOf(strike) }));
    return { datasets: { landing }, height: 34 * new Set(landing.map((row) => row.distance)).size };
  },
  traces(metric, width) {
    const panels = Object.entries(page.traces).map(([name, values]) => {
      const paced = name === "speed_m_s" && isPace();
      // Nearly standing is no pace: it would press the rest of the line flat.
      const shownAs = (value) => (value === null || name !== "speed_m_s" ? value : paced ? Math.min(inSpeed(value), 15) : value);
      const trace = values.map((value, place) => (
        { value: shownAs(value), distance: inDistance(page.km[place]), run_share: page.run_share?.[place] ?? 1 }));
      return { trace, title: name === "speed_m_s" ? `speed, ${units.speed}` : page.labels[name], paced };
    });
    return { panels, panelWidth: width - 60, titles: { x: `distance, ${units.distance}` } };
  },
};

function retitle(specification, titles) {
  for (const layer of specification.layer ?? [specification]) {
    for (const channel of ["x", "y"]) {
      if (titles[channel] && layer.encoding?.[channel]?.title) layer.encoding[channel].title = titles[channel];
    }
    if (layer.layer) retitle(layer, titles);
  }
}

function asPace(specification, channel) {
  // Faster is to the right, and up, whichever way speed is given.
  for (const { encoding } of specification.layer) {
    if (!encoding[channel]) continue;
    encoding[channel].scale = { ...encoding[channel].scale, reverse: true };
    encoding[channel].axis = { ...encoding[channel].axis, labelExpr: PACE_LABEL };
  }
}

function asDays(specification) {
  for (const { encoding } of specification.layer) if (encoding.x) encoding.x.axis = { ...encoding.x.axis, labelExpr: DAY_LABEL };
}

const UNLISTED = { color: "var(--soft)", shape: "circle" };

function inPlaces(specification, series) {
  for (const { encoding } of specification.layer) {
    for (const [channel, placed] of Object.entries(series)) {
      if (!encoding[channel]?.scale) continue;
      const { domain, range } = placed(encoding[channel].scale.range);
      encoding[channel].scale = { domain: [...domain, "not listed"], range: [...range, UNLISTED[channel]] };
      encoding[channel].legend = domain.length ? { values: domain } : null;
    }
  }
}

function stacked(specification, { panels, panelWidth }) {
  const { config, ...one } = specification;
  const vconcat = panels.map(({ trace, title, paced }, place) => {
    const panel = structuredClone(one);
    for (const layer of panel.layer) layer.data = { values: trace };
    if (paced) asPace(panel, "y");
    const last = place === panels.length - 1;
    for (const { encoding } of panel.layer) if (!last) encoding.x.title = null;
    return { ...panel, width: panelWidth, title: { text: title, anchor: "start", fontWeight: "normal", fontSize: 12 } };
  });
  return { config, vconcat, spacing: 6 };
}

async function draw(figure) {
  const name = figure.dataset.chart;
  const place = figure.querySelector(".drawn");
  const metric = figure.querySelector("[data-choose]")?.value;
  const width = Math.floor(figure.querySelector(".picture").clientWidth);
  let specification = structuredClone(window.CHARTS[name]);
  const drawn = DRAW[name](metric, width);
  if (drawn.titles) retitle(specification.spec ?? specification, drawn.titles);
  if (drawn.isDated) asDays(specification);
  if (drawn.series) inPlaces(specification, drawn.series);
  if (drawn.isSpeed && isPace()) asPace(specification, "x");
  if (drawn.panels) {
    specification = stacked(specification, drawn);
  } else if (drawn.columns) {
    specification.columns = drawn.columns;
    Object.assign(specification.spec, drawn.panel);
  } else {
    Object.assign(specification, { width, height: drawn.height, autosize: { type: "fit-x", contains: "padding" } });
  }
  specification.datasets = drawn.datasets;
  if (width < NARROW) {
    const { legend } = specification.config;
    specification.config.legend = { ...legend, columns: 2, layout: { top: { direction: "vertical" } } };
  }
  // Expressions are interpreted, not compiled: the policy of the page forbids to run what is not in a file.
  await window.vegaEmbed(place, specification, {
    ast: true, renderer: "svg", actions: false, defaultStyle: false, tooltip: { disableDefaultStyle: true }, logLevel: 1,
    timeFormatLocale: LOCALE,
  });
}

async function drawAll() {
  for (const figure of document.querySelectorAll("figure[data-chart]")) await draw(figure);
  document.documentElement.dataset.drawn = "yes";
}

if (page && window.CHARTS) {
  for (const choice of document.querySelectorAll("[data-choose]")) {
    choice.addEventListener("change", () => draw(choice.closest("figure")));
  }
  document.addEventListener("filtered", () => {
    document.querySelectorAll("figure[data-chart=club]").forEach(draw);
  });
  let waiting;
  let width = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth === width) return;
    width = window.innerWidth;
    clearTimeout(waiting);
    waiting = setTimeout(drawAll, 200);
  });
  drawAll();
}
