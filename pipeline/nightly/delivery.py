"""Delivery of a page: to a command of this machine, or to a web address.

A failed delivery does not fail the night: what went wrong is returned in words. An address may hold a secret, so only
its host is ever shown.
"""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
from base64 import b64encode
from contextlib import suppress
from http.client import HTTPException
from urllib.error import HTTPError, URLError
from urllib.parse import SplitResult, unquote, urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

from pipeline.core.errors import UsageError
from pipeline.core.reasons import Reason
from pipeline.nightly import WEBHOOK
from pipeline.workers.pool import Loss, workers

#: Not passed on to the command: the address may be a secret, and its own modules may lie next to it.
_WITHHELD = (WEBHOOK, "PYTHONSAFEPATH")

#: How long a command or a web server may take [s].
LIMIT_S = 60.0


def words_of(command: str) -> list[str]:
    """A command as its words; no shell interprets them.

    Raises:
        UsageError: it has none, or an unclosed quotation mark.
    """
    try:
        words = shlex.split(command)
    except ValueError:
        words = []
    if not words:
        raise UsageError(f"--notify {command!r} is not a command: write its name and options as in a terminal.")
    return words


def parts_of(url: str) -> SplitResult:
    """The parts of a web address.

    Raises:
        UsageError: it is not the address of a web server.
    """
    try:
        parts = urlsplit(url)
        _ = parts.port  # raises for a port that is not a number
    except ValueError:
        parts = urlsplit("")
    is_plain = url.isascii() and url.isprintable() and " " not in url
    if parts.scheme not in ("http", "https") or not parts.hostname or not is_plain:
        raise UsageError(f"{WEBHOOK} takes an address that begins with https:// or http:// and names a host.")
    return parts


def to_command(command: str, page: str | None, text: str, *, limit_s: float = LIMIT_S) -> str | None:
    """Start a command with the path of a page as its last word and the page on its standard input.

    Args:
        command: as written in a terminal.

    Returns:
        What went wrong, in words; None for nothing.
    """
    words = words_of(command)
    name = os.path.basename(words[0])
    try:
        # A session of its own, so that everything it started can be ended with it.
        process = subprocess.Popen(
            words if page is None else [*words, page],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            env={name: value for name, value in os.environ.items() if name not in _WITHHELD},
            start_new_session=True,
        )
    except OSError as error:
        return f"The command {name} could not be started: {error.strerror}."
    with process:
        try:
            process.communicate(text.encode(), timeout=limit_s)
        except subprocess.TimeoutExpired:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            return f"The command {name} took longer than {limit_s:g} s and was ended."
    return f"The command {name} ended with exit code {process.returncode}." if process.returncode else None


def to_web(url: str, title: str, text: str, *, limit_s: float = LIMIT_S) -> str | None:
    """Send a page to a web server, as JSON with `title` and `text`.

    Args:
        url: may hold a user and a password.
        text: of the page, in Markdown.
        limit_s: how long the whole exchange may take [s].

    Returns:
        What went wrong, in words; None for nothing.
    """
    body = json.dumps({"title": title, "text": text}).encode()
    # In a process of its own, which the system ends in time: a server may send a byte a second, a name may not resolve.
    with workers(1, 1, few=0, item_s=limit_s) as mapper:
        return next(mapper(_exchanged, body, [url], lost=_lost))


def _lost(_body: bytes, url: str, loss: Loss) -> str:
    host = parts_of(url).hostname
    if loss.kind is Reason.TOOK_TOO_LONG:
        return f"The web server {host} did not answer in time: {loss.words}."
    return f"The page could not be sent to {host}: {loss.words}."


def _exchanged(body: bytes, url: str) -> str | None:
    parts = parts_of(url)
    host, (credentials, has_credentials, place) = parts.hostname, parts.netloc.rpartition("@")
    headers = {"Content-Type": "application/json", "User-Agent": "splitdrift"}
    if has_credentials:
        headers["Authorization"] = f"Basic {b64encode(unquote(credentials).encode()).decode()}"
    request = Request(parts._replace(netloc=place).geturl(), data=body, headers=headers, method="POST")
    try:
        with build_opener(_NoRedirect).open(request):
            return None
    except HTTPError as error:
        error.close()
        return f"The web server {host} answered {error.code}."
    except URLError as error:
        reason = error.reason
        cause = (isinstance(reason, OSError) and reason.strerror) or type(reason).__name__
        return f"The web server {host} cannot be reached: {cause}."
    except (HTTPException, OSError, ValueError) as error:
        return f"The web server {host} sent no valid answer ({type(error).__name__})."


class _NoRedirect(HTTPRedirectHandler):
    """A page goes only to the address that was given."""

    def redirect_request(self, *_: object) -> None:
        """None makes the redirection an error."""
