"""Compiled templates are kept where Python keeps compiled modules: to compile them took each process 0.1 s."""

from __future__ import annotations

import hashlib
import marshal
import sys
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path

import jinja2
from jinja2.bccache import Bucket

from pipeline.core.places import replacing

_DIGEST_BYTES = hashlib.sha256().digest_size


class CompiledTemplates(jinja2.BytecodeCache):
    """The compiled templates in one language, in `__pycache__`; without the right to write there, none are kept.

    A file is the digest of everything that it follows from and of the rest of it, then the code. One that is of other
    templates, or damaged, is written again.
    """

    def __init__(self, language: str, rests_on: str) -> None:
        """Keep templates apart by language.

        Args:
            language: its code.
            rests_on: digest of what besides the template decides what it is compiled to.
        """
        self._language, self._rests_on = language, f"{rests_on} {jinja2.__version__} {sys.version}"

    def get_cache_key(self, name: str, filename: str | None = None) -> str:  # noqa: ARG002
        """The name of a template's file."""
        return cache_from_source(str(Path(__file__).with_name(f"{name}-{self._language}.py")))

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take over what was kept, if it is of this template."""
        with suppress(OSError):
            content = Path(bucket.key).read_bytes()
            digest, code = content[:_DIGEST_BYTES], content[_DIGEST_BYTES:]
            if digest == self._digest(bucket, code):
                bucket.code = marshal.loads(code)  # as Python does with modules, from the same folder

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template that was compiled."""
        if sys.dont_write_bytecode:
            return
        file, code = Path(bucket.key), marshal.dumps(bucket.code)
        with suppress(OSError):
            file.parent.mkdir(parents=True, exist_ok=True)
            with replacing(file) as temporary:
                temporary.write_bytes(self._digest(bucket, code) + code)

    def _digest(self, bucket: Bucket, code: bytes) -> bytes:
        return hashlib.sha256(f"{self._rests_on} {bucket.checksum}\0".encode() + code).digest()
