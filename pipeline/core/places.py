"""Places: folders of this machine and addresses of object stores, read and written the same way.

An address such as `s3://bucket/folder` becomes a path that works like one of this machine; credentials and an endpoint
come from the environment. The differences are handled here: objects cannot be linked or renamed, a folder of them does
not have to be made, and a library that wants a file of this machine gets the bytes.
"""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from http import HTTPStatus
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, cast

from pipeline.core.errors import UsageError

if TYPE_CHECKING:
    import polars as pl


def place(address: str) -> Path:
    """The path of a folder, or of an object store's address.

    Args:
        address: as the user wrote it.

    Returns:
        A path; for an object store one that only looks like it.

    Raises:
        UsageError: an address of a kind that cannot be read here.
    """
    if "://" not in address:
        return Path(address)
    try:
        from upath import UPath
    except ImportError:
        raise UsageError(
            f"{address} is the address of an object store, which takes more libraries: "
            "python -m pip install 'splitdrift[cluster]'."
        ) from None
    try:
        path = UPath(address.rstrip("/"), use_listings_cache=False)
        path.fs  # noqa: B018 -- loads the library of this kind of store, or says that there is none
        if path.protocol not in _STORES:
            raise ValueError(f"it is not the address of an object store, but of '{path.protocol}'")
        from s3fs.core import set_custom_error_handler

        set_custom_error_handler(_may_pass)
    except (ImportError, ValueError) as error:
        raise UsageError(f"{address} cannot be read: {error}. Addresses of object stores begin with s3://.") from error
    return cast("Path", path)


_STORES = ("s3", "s3a")


def _may_pass(error: BaseException) -> bool:
    """Whether s3fs is to send a request again, after the tries of botocore: where the store itself is in trouble."""
    status = _status_of(error)
    return status is not None and status >= HTTPStatus.INTERNAL_SERVER_ERROR


def is_remote(path: Path) -> bool:
    """Whether a path is an address of an object store."""
    return not isinstance(path, Path)


def whole_name(path: Path) -> str:
    """A place by the one name that does not depend on where a command was given."""
    return str(path) if is_remote(path) else str(path.resolve())


def make_folder(path: Path) -> None:
    """Make a folder with its parents, where folders have to be made."""
    if not is_remote(path):
        path.mkdir(parents=True, exist_ok=True)


def readable(path: Path) -> Path | BytesIO:
    """What a library that reads files takes: a file of this machine, else its bytes."""
    return BytesIO(path.read_bytes()) if is_remote(path) else path


def read_content(path: Path) -> bytes:
    """The content of a file of the inbox.

    Raises:
        OSError: it cannot be read. Of an object EACCES says that it is this one, denied or broken off each time; any
            other code that its store cannot be used now.
    """
    try:
        return path.read_bytes()
    except Exception as error:
        if not is_remote(path):
            raise
        from aiohttp import ClientPayloadError

        status = _status_of(error.__cause__)
        is_refused = status is not None and HTTPStatus.BAD_REQUEST <= status < HTTPStatus.INTERNAL_SERVER_ERROR
        is_its_own = is_refused or isinstance(error, ClientPayloadError)
        raise OSError(errno.EACCES if is_its_own else errno.EIO, str(error), str(path)) from error


def read_frame(path: Path, columns: list[str] | None = None) -> pl.DataFrame:
    """The rows of a Parquet file; of some columns, or of all for None."""
    import polars as pl

    return pl.read_parquet(readable(path), columns=columns, hive_partitioning=False, glob=False)


def read_schema(path: Path) -> pl.Schema:
    """The columns of a Parquet file, with their types."""
    import polars as pl

    return pl.scan_parquet(readable(path), hive_partitioning=False, glob=False).collect_schema()


def write_frame(path: Path, rows: pl.DataFrame) -> None:
    """Write rows as a plain Parquet file."""
    content = BytesIO()
    rows.write_parquet(content)
    path.write_bytes(content.getvalue())


def beneath(folder: Path, closed: list[Path] | None = None) -> Iterator[Path]:
    """The contents of a folder and of the folders below it; linked and hidden ones are not entered.

    However deep: `Path.rglob` and `os.walk` call themselves for every folder on the way, and end at a thousand.

    Args:
        closed: receives the folders that cannot be read.
    """
    return (Path(entry.path) for entry in _entries_beneath(folder, closed))


def _entries_beneath(folder: Path, closed: list[Path] | None = None) -> Iterator[os.DirEntry[str]]:
    folders = [str(folder)]
    while folders:
        entered = folders.pop()
        try:
            with os.scandir(entered) as entries:
                for entry in entries:
                    yield entry
                    if entry.is_dir(follow_symlinks=False) and not entry.name.startswith("."):
                        folders.append(entry.path)
        except OSError as error:
            if error.errno in {errno.EACCES, errno.EPERM}:
                if closed is not None:
                    closed.append(Path(entered))
            elif error.errno not in {errno.ENOENT, errno.ENAMETOOLONG}:  # gone by now, or no path of a file
                raise


def files_below(folder: Path) -> list[Path]:
    """All files in a folder and the folders below it, in order; none where it does not exist."""
    if is_remote(folder):
        fs = _file_system(folder)
        return [_of_key(folder, key) for key in sorted(fs.find(_key(folder))) if not key.endswith("/")]
    return [Path(name) for name in sorted((e.path for e in _entries_beneath(folder) if e.is_file()), key=_by_parts)]


def _by_parts(path: str) -> list[str]:
    """What paths are in order of, as objects: these take ten times as long to sort."""
    return path.split(os.sep)


def versions_below(folder: Path) -> Iterator[tuple[str, str]]:
    """The path of each object below an address, from there, and its tag, which changes with its content.

    In order of path, as object stores list them. They are asked for a page at a time: what s3fs makes of all of them
    at once takes 1.5 kB for each.
    """
    fs, (bucket, _, within) = _file_system(folder), _key(folder).partition("/")
    prefix, more = f"{within}/" if within else "", dict[str, str]()
    while True:
        page = fs.call_s3("list_objects_v2", Bucket=bucket, Prefix=prefix, MaxKeys=_LISTED_AT_ONCE, **more)
        for about in page.get("Contents", ()):
            name = str(about["Key"])[len(prefix) :]
            if name and not name.endswith("/"):
                yield name, str(about["ETag"])
        if not page.get("NextContinuationToken"):  # after the last
            return
        more = {"ContinuationToken": page["NextContinuationToken"]}


#: As many as stores give at most.
_LISTED_AT_ONCE = 1000


def remove_tree(folder: Path) -> None:
    """Remove a folder and everything in it; nothing happens where it does not exist."""
    if is_remote(folder):
        fs = _file_system(folder)
        if keys := fs.find(_key(folder)):
            fs.rm(keys)
        return
    if not os.path.islink(folder):
        with suppress(OSError), os.scandir(folder) as entries:
            for entry in entries:  # one after the other: `rmtree` takes 0.8 kB for each entry of a folder
                if entry.is_dir(follow_symlinks=False):
                    remove_tree(Path(entry.path))
    shutil.rmtree(folder, ignore_errors=True)


def copy_objects(sources: Sequence[Path], targets: Sequence[Path]) -> None:
    """Copy objects inside their store, many at a time."""
    if sources:
        _file_system(sources[0]).copy([_key(path) for path in sources], [_key(path) for path in targets])


def put_if(path: Path, content: bytes, tag: str | None) -> str | None:
    """Write an object if it is the one with this tag still, or if `tag` is None, only if there is none.

    Returns:
        The tag of what was written; None where it was not.
    """
    fs, (bucket, _, key) = _file_system(path), _key(path).partition("/")
    condition = {"IfNoneMatch": "*"} if tag is None else {"IfMatch": tag}
    try:
        answer = fs.call_s3("put_object", Bucket=bucket, Key=key, Body=content, **condition)
    except FileExistsError:
        return _tag_if(path, content)
    except FileNotFoundError as error:
        if tag is not None:
            return None
        raise UsageError(f"There is no bucket {bucket}, or it may not be written to: {error}.") from error
    except OSError as error:
        if _status_of(error.__cause__) in (HTTPStatus.PRECONDITION_FAILED, HTTPStatus.CONFLICT):
            return _tag_if(path, content)
        raise
    return str(answer["ETag"])


def _tag_if(path: Path, content: bytes) -> str | None:
    """The tag of an object that has this content: a request whose answer was lost is sent again, too late."""
    found, tag = read_tagged(path)
    return tag if found == content else None


def read_tagged(path: Path) -> tuple[bytes | None, str | None]:
    """An object, and a tag that was its own just before; None for both where there is none."""
    fs, (bucket, _, key) = _file_system(path), _key(path).partition("/")
    for is_last in (False, False, True):
        try:
            tag = str(fs.info(f"{bucket}/{key}", refresh=True)["ETag"])
            return bytes(fs.cat_file(f"{bucket}/{key}")), tag
        except FileNotFoundError:
            break
        except OSError as error:
            # It was written between the two requests, which s3fs reports either way: its new content is read.
            if error.errno not in (errno.EINVAL, errno.EBUSY) or is_last:
                raise
    return None, None


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A path next to another to write a file or a link to, which takes its place in one step if the block ends well.

    Readers see the old content or the new one, never a part of it. For paths of this machine only: objects are always
    written whole.
    """
    temporary = path.with_name(f".{path.name}-{secrets.token_hex(4)}")
    try:
        yield temporary
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def written_here(folder: Path) -> Iterator[Path]:
    """A folder of this machine to write in, whose files are in `folder` when the block has ended well."""
    if not is_remote(folder):
        yield folder
        return
    with TemporaryDirectory(prefix="splitdrift-") as name:
        here = Path(name)
        yield here
        files = files_below(here)
        with ThreadPoolExecutor(8) as threads:
            list(
                threads.map(
                    lambda file: (folder / file.relative_to(here).as_posix()).write_bytes(file.read_bytes()), files
                )
            )


def _file_system(path: Path) -> Any:
    return cast("Any", path).fs


def _status_of(error: BaseException | None) -> int | None:
    """The HTTP status in an error of botocore, which s3fs keeps as the cause of its own; None where no answer came."""
    response = getattr(error, "response", None) or {}
    status: int | None = response.get("ResponseMetadata", {}).get("HTTPStatusCode")
    return status


def _key(path: Path) -> str:
    return str(cast("Any", path).path).rstrip("/")


def _of_key(folder: Path, key: str) -> Path:
    return folder / os.path.relpath(key, _key(folder))
