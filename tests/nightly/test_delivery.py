"""Delivery of a page, with real commands and a real web server; a failure is returned in words."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from base64 import b64encode
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from pipeline.core.errors import UsageError
from pipeline.nightly.delivery import parts_of, to_command, to_web, words_of

SAVE = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.argv[2] + '|' + sys.stdin.read())"


@dataclass
class Web:
    """A web server of this machine that notes what it is sent, and answers with a code."""

    answer: int = 200
    waits_s: float = 0.0
    drips_s: float = 0.0
    authorization: str | None = None
    received: list[tuple[str, str, bytes]] = field(default_factory=list)
    url: str = ""


@pytest.fixture
def web() -> Iterator[Web]:
    state = Web()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            state.received.append((self.path, self.headers["Content-Type"], body))
            state.authorization = self.headers["Authorization"]
            time.sleep(state.waits_s)
            until = time.monotonic() + state.drips_s
            while time.monotonic() < until:
                with suppress(OSError):
                    self.wfile.write(b"H")
                time.sleep(0.1)
            self.send_response(state.answer)
            if state.answer == 302:
                self.send_header("Location", f"{state.url}/elsewhere")
            self.end_headers()

        def do_GET(self) -> None:
            state.received.append((self.path, "", b""))

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        state.url = f"http://127.0.0.1:{server.server_port}"
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield state
        server.shutdown()
        thread.join()


# --- A command -------------------------------------------------------------------------------------------------------


def test_a_command_gets_the_path_of_the_page_last_and_the_page_on_its_input(tmp_path: Path):
    command = f'{sys.executable} -c "{SAVE}" "{tmp_path}/got here.txt"'
    assert to_command(command, "nights/1.md", "# Näght\n") is None
    assert (tmp_path / "got here.txt").read_text() == "nights/1.md|# Näght\n"


def test_no_shell_interprets_the_command(tmp_path: Path):
    command = f'{sys.executable} -c "{SAVE}" {tmp_path}/got.txt $(touch;hurt) && x'
    to_command(command, "nights/1.md", "text")
    assert (tmp_path / "got.txt").read_text() == "$(touch;hurt)|text"


def test_without_a_page_there_is_no_last_word():
    command = f'{sys.executable} -c "import sys; sys.exit(len(sys.argv))"'
    assert "exit code 1." in (to_command(command, None, "text") or "")
    assert "exit code 2." in (to_command(command, "page", "text") or "")


def test_a_command_does_not_see_the_web_address_nor_the_search_path_of_our_own_children(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("SPLITDRIFT_WEBHOOK", "https://host/key=secret")
    monkeypatch.setenv("PYTHONSAFEPATH", "1")
    monkeypatch.setenv("SPLITDRIFT_TEST", "seen")
    code = "import os, sys, pathlib; pathlib.Path(sys.argv[1]).write_text(chr(10).join(os.environ))"
    assert to_command(f'{sys.executable} -c "{code}" {tmp_path}/names', None, "text") is None
    names = set((tmp_path / "names").read_text().split())
    assert "SPLITDRIFT_TEST" in names
    assert not names & {"SPLITDRIFT_WEBHOOK", "PYTHONSAFEPATH"}


def test_a_command_may_ignore_its_input():
    assert to_command(f'{sys.executable} -c "pass"', "page", "x" * 1_000_000) is None


@pytest.mark.parametrize(
    ("command", "fault"),
    [
        ("no-such-command --x", "The command no-such-command could not be started: No such file or directory."),
        (f'{sys.executable} -c "raise SystemExit(3)"', "ended with exit code 3."),
    ],
)
def test_a_failed_command_is_reported(command: str, fault: str):
    assert (to_command(command, "page", "text") or "").endswith(fault)


def test_a_command_that_hangs_is_ended_with_all_that_it_started(tmp_path: Path):
    os.mkfifo(tmp_path / "held")
    (tmp_path / "hang.sh").write_text(f"exec 3> '{tmp_path}/held'\nsleep 60\n")
    held = os.open(tmp_path / "held", os.O_RDONLY | os.O_NONBLOCK)
    began = time.monotonic()
    fault = to_command(f"sh {tmp_path}/hang.sh", "page", "text", limit_s=0.5)
    assert (fault or "").endswith("took longer than 0.5 s and was ended.")
    os.set_blocking(held, True)
    assert os.read(held, 1) == b""  # as soon as nobody holds it open for writing
    assert time.monotonic() - began < 30
    os.close(held)


@pytest.mark.parametrize("command", ["", "   ", "say 'hello"])
def test_a_malformed_command_is_wrong_use(command: str):
    with pytest.raises(UsageError, match="is not a command: write its name and options as in a terminal"):
        words_of(command)


# --- The web ---------------------------------------------------------------------------------------------------------


def test_the_web_gets_title_and_text_as_json(web: Web):
    assert to_web(f"{web.url}/hook?key=1", "Night", "# Näght\n") is None
    ((path, kind, body),) = web.received
    assert (path, kind) == ("/hook?key=1", "application/json")
    assert json.loads(body) == {"title": "Night", "text": "# Näght\n"}


@pytest.mark.parametrize("code", [404, 500, 302])
def test_another_answer_than_success_is_reported_and_redirections_are_not_followed(web: Web, code: int):
    web.answer = code
    assert to_web(f"{web.url}/hook?key=secret", "Night", "text") == f"The web server 127.0.0.1 answered {code}."
    assert len(web.received) == 1


def test_a_web_server_that_does_not_answer_in_time_is_reported(web: Web):
    web.waits_s = 1.0
    fault = to_web(web.url, "Night", "text", limit_s=0.5)
    assert fault == "The web server 127.0.0.1 did not answer in time: it took longer than 0.5 s."


def test_the_time_limit_is_for_the_whole_exchange_also_with_a_server_that_sends_a_byte_now_and_then(web: Web):
    web.drips_s = 4.0
    began = time.monotonic()
    assert "did not answer in time" in (to_web(web.url, "Night", "text", limit_s=1.0) or "")
    assert time.monotonic() - began < 3


def test_a_user_and_a_password_in_the_address_are_sent_as_such(web: Web):
    assert to_web(web.url.replace("//", "//ari:p%40ss@"), "Night", "text") is None
    assert web.authorization == "Basic " + b64encode(b"ari:p@ss").decode()


def test_a_refused_connection_is_reported_with_the_host_and_never_the_address():
    fault = to_web("http://127.0.0.1:9/key=secret", "Night", "text")
    assert fault == "The web server 127.0.0.1 cannot be reached: Connection refused."


@pytest.mark.parametrize(
    "url",
    ["ftp://host/x", "file:///etc/passwd", "host/x", "https://", "http://host:port/x", "http://a/ b", "http://ä/", ""],
)
def test_a_malformed_address_is_wrong_use(url: str):
    with pytest.raises(UsageError, match=r"SPLITDRIFT_WEBHOOK takes an address that begins with https:// or http://"):
        parts_of(url)
