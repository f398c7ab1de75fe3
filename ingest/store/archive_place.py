"""Where files of the archive lie: a folder of this computer, or an object store by its address.

A folder's file is written beside its name, brought to the disk, and renamed. An object store puts
an object whole or not at all. Names hold the digest of what is in them, so none is written over.

The address is kept in the store and shown, so it holds no password: those come from where the
object store's client looks for them, such as ``AWS_ACCESS_KEY_ID``.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest.errors import ArchiveAway, DiskFull, StoreError

if TYPE_CHECKING:
    import pyarrow.fs

FOLDER = "archive"
#: Files of another computer that were read lately.
CACHE_FOLDER = "archive-cache"
CACHE_BYTES = 2 << 30
#: Addresses that PyArrow opens by itself; any other goes through fsspec.
_BY_PYARROW = ("s3", "gs", "gcs")


class Place:
    """A place for files of the archive.

    Parameters
    ----------
    data : Path
        Data folder.
    address : str
        Empty: the folder ``archive`` in the data folder. Else a whole path, or an address such as
        ``s3://bucket/folder``.

    Raises
    ------
    StoreError
        Nothing here opens such an address.
    """

    def __init__(self, data: Path, address: str = "") -> None:
        self.address = address
        self._data = data
        self._fs: pyarrow.fs.FileSystem | None = None
        self._root = ""
        self.folder: Path | None = None
        if not address:
            self.folder = data / FOLDER
        elif "://" not in address:
            self.folder = Path(address)
        elif address.startswith("file://"):
            self.folder = Path(address.removeprefix("file://"))

    @property
    def words(self) -> str:
        """What people call it."""
        return str(self.folder) if self.folder is not None else self.address

    def write(self, path: str, content: bytes) -> None:
        """Write a file, so that it is on the disk, or there, when this returns.

        Raises
        ------
        ArchiveAway, DiskFull
            It was not written.
        """
        with self._told(path):
            if self.folder is None:
                fs = self._remote()
                whole = f"{self._root}/{path}"
                fs.create_dir(whole.rpartition("/")[0], recursive=True)
                with fs.open_output_stream(whole) as stream:
                    stream.write(content)
                return
            write_durably(self.folder / path, content)

    def read(self, path: str) -> bytes:
        """What is in a file.

        Raises
        ------
        ArchiveAway
            It cannot be read.
        """
        with self._told(path):
            if self.folder is not None:
                return (self.folder / path).read_bytes()
            with self._remote().open_input_file(f"{self._root}/{path}") as stream:
                return bytes(stream.read())

    def remove(self, path: str) -> None:
        """Remove a file, and what folders that leaves empty; nothing where it is not there."""
        with self._told(path):
            if self.folder is None:
                with suppress(FileNotFoundError):
                    self._remote().delete_file(f"{self._root}/{path}")
                return
            whole = self.folder / path
            whole.unlink(missing_ok=True)
            for folder in whole.parents:
                if folder == self.folder or not folder.exists() or any(folder.iterdir()):
                    break
                folder.rmdir()

    def paths(self) -> list[str]:
        """All files of the archive's form, sorted."""
        with self._told(""):
            if self.folder is not None:
                found = [p.relative_to(self.folder) for p in self.folder.rglob("*.parquet")]
                return sorted(path.as_posix() for path in found)
            import pyarrow.fs as pafs

            fs = self._remote()
            chosen = pafs.FileSelector(self._root, recursive=True, allow_not_found=True)
            return sorted(
                info.path.removeprefix(f"{self._root}/").lstrip("/")
                for info in fs.get_file_info(chosen)
                if info.is_file and info.path.endswith(".parquet")
            )

    def on_this_computer(self, path: str, sha256: str) -> Path:
        """A file to read, brought here first where it lies elsewhere.

        Parameters
        ----------
        path : str
            Within the place.
        sha256 : str
            What it must be; looked at when it is brought.

        Raises
        ------
        StoreError
            It is another.
        ArchiveAway
            It is not there, or its place cannot be reached.
        """
        if self.folder is not None:
            whole = self.folder / path
            if not whole.exists():
                raise _missing(whole)
            return whole
        cached = self._data / CACHE_FOLDER / f"{sha256}.parquet"
        if cached.exists():
            # What was read last is thrown out last.
            with suppress(OSError):
                os.utime(cached)
            return cached
        content = self.read(path)
        if hashlib.sha256(content).hexdigest() != sha256:
            raise StoreError(
                f"{path} in {self.words} is not what was archived: it has been changed.",
                "Bring it back from a backup with `gritbook restore`.",
            )
        write_durably(cached, content)
        _bound(cached.parent, cached)
        return cached

    def _remote(self) -> pyarrow.fs.FileSystem:
        if self._fs is None:
            self._fs, self._root = _opened(self.address)
        return self._fs

    @contextmanager
    def _told(self, path: str) -> Iterator[None]:
        try:
            yield
        except FileNotFoundError as error:
            raise _missing(f"{self.words}/{path}") from error
        except OSError as error:
            if getattr(error, "errno", None) == 28:
                raise DiskFull(f"The disk of {self.words} is full.", "Make room.") from error
            raise ArchiveAway(
                f"The archive in {self.words} cannot be reached: {str(error).splitlines()[0]}",
                "Look whether the disk or the network is there; nothing is lost meanwhile.",
            ) from error


def write_durably(path: Path, content: bytes) -> None:
    """Write a file beside its name, bring it to the disk, and give it its name."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        with fresh.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    finally:
        fresh.unlink(missing_ok=True)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Bring a folder's names to the disk, where the system can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _opened(address: str) -> tuple[Any, str]:
    import pyarrow as pa
    import pyarrow.fs as pafs

    scheme = address.partition("://")[0]
    try:
        if scheme in _BY_PYARROW:
            fs, root = pafs.FileSystem.from_uri(address)
            return fs, root.rstrip("/")
        import fsspec  # type: ignore[import-untyped]

        inner, root = fsspec.core.url_to_fs(address)
        return pafs.PyFileSystem(pafs.FSSpecHandler(inner)), root.rstrip("/")
    except (ImportError, ValueError, pa.ArrowException) as error:
        raise StoreError(
            f"The archive's place {address} cannot be opened: {str(error).splitlines()[0]}",
            "Look at archive.place in the yard file; some addresses need a package of their own.",
        ) from error


def _missing(path: object) -> ArchiveAway:
    # A disk that is not mounted looks the same: what waits may go on when it is there again.
    return ArchiveAway(
        f"The archive's file {path} is not there.",
        "Look whether its disk is there; else bring it back from a backup with `gritbook restore`.",
    )


def _bound(folder: Path, newest: Path) -> None:
    """Throw out what was read longest ago, above what the cache may hold."""
    files = sorted(
        ((p.stat().st_mtime, p.stat().st_size, p) for p in folder.glob("*.parquet")), reverse=True
    )
    held = 0
    for _, size, path in files:
        held += size
        if held > CACHE_BYTES and path != newest:
            path.unlink(missing_ok=True)
