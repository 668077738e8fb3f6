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
from contextlib import suppress
from http.client import HTTPException
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

from pipeline.core.errors import UsageError
from pipeline.nightly import WEBHOOK

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


def host_of(url: str) -> str:
    """The host of a web address.

    Raises:
        UsageError: it is not the address of a web server.
    """
    try:
        parts = urlsplit(url)
        _ = parts.port  # raises for a port that is not a number
    except ValueError:
        parts = urlsplit("")
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise UsageError("--webhook takes an address that begins with https:// or http:// and names a host.")
    return parts.hostname


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
        text: of the page, in Markdown.
        limit_s: how long each step of the exchange may take [s].

    Returns:
        What went wrong, in words; None for nothing.
    """
    host = host_of(url)
    body = json.dumps({"title": title, "text": text}).encode()
    request = Request(
        url, data=body, headers={"Content-Type": "application/json", "User-Agent": "splitdrift"}, method="POST"
    )
    try:
        with build_opener(_NoRedirect).open(request, timeout=limit_s):
            return None
    except HTTPError as error:
        error.close()
        return f"The web server {host} answered {error.code}."
    except TimeoutError:
        return f"The web server {host} did not answer within {limit_s:g} s."
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
