"""Tests of permissions, run by whom none hold back."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager

import pytest


@contextmanager
def no_privilege() -> Iterator[None]:
    """The super-user reads and writes every file, whatever its permissions; here he does not, where Linux lets him."""
    if os.geteuid() != 0:
        yield
        return
    try:
        libc, header, before = ctypes.CDLL(None, use_errno=True), (ctypes.c_uint32 * 2)(0x20080522, 0), _SIX()
        if libc.capget(header, before) != 0:
            pytest.skip("the super-user may do everything here")
    except (OSError, AttributeError):
        pytest.skip("the super-user may do everything here")
    less = _SIX(*before)
    less[0] &= ~0b1110  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH and CAP_FOWNER, of those in effect
    assert libc.capset(header, less) == 0
    try:
        yield
    finally:
        assert libc.capset(header, before) == 0


_SIX = ctypes.c_uint32 * 6
