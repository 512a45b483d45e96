"""The cache of readings: one SQLite file, disposable, rebuilt if older or damaged."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self
from zlib import crc32

import xxhash

from extractor.errors import BusyError, CallError
from extractor.store.codec import shape

_OURS = 0x6F63726C  # "ocrl", SQLite's application_id of this file
_TABLE = """CREATE TABLE IF NOT EXISTS entry (
    name BLOB NOT NULL PRIMARY KEY, value BLOB NOT NULL, digest BLOB NOT NULL
) WITHOUT ROWID"""
_FORMAT = crc32(f"{_TABLE};{shape()}".encode()) & 0x7FFFFFFF
_BATCH = 500  # names in one query; SQLite's oldest limit is 999
_WAIT_S = 60.0  # for another process to finish its commit
# Result codes: sqlite.org/rescode.html
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_HELD = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}


class _DamageError(CallError):
    pass


class Cache:
    """Texts by space and key in ``path``; what was put is there even if the process is killed.

    Several processes may use one file at once. Every row carries a digest, so that a damaged row
    is never taken for a reading. With ``check`` every row is verified now and a file that is
    damaged or was made by another format is rebuilt, which ``notice`` then says; without it (a
    second process on a file that the first one checked) damage raises. Raises CallError where the
    file cannot be read or written, BusyError where another process holds it for a minute.
    """

    def __init__(self, path: Path, *, check: bool = True) -> None:
        self.path = path
        self.notice = ""
        try:
            self._connection = self._open()
            if check:
                self._verify()
        except _DamageError:
            if not check:
                raise
            self.notice = (
                f"{path} was damaged or written by another version of ocrlog: rebuilt, so all "
                "captures are read again"
            )
            self._rebuild()

    def get_many(self, space: str, keys: Sequence[str]) -> dict[str, str]:
        """Return the text of every key that is known; unknown keys are left out."""
        known: dict[str, str] = {}
        names = {_name(space, key): key for key in keys}
        order = list(names)
        with self._clear():
            for start in range(0, len(order), _BATCH):
                batch = order[start : start + _BATCH]
                query = f"SELECT * FROM entry WHERE name IN ({','.join('?' * len(batch))})"
                for name, value, digest in self._connection.execute(query, batch).fetchall():
                    if not _sound(name, value, digest):
                        raise self._damage()
                    known[names[name]] = _text(value)
        return known

    def put_many(self, space: str, texts: Mapping[str, str]) -> None:
        """Keep texts by key, all or none, committed when this returns."""
        rows = [(_name(space, key), _bytes(text)) for key, text in texts.items()]
        with self._clear(), self._connection:
            self._connection.executemany(
                "INSERT OR REPLACE INTO entry VALUES (?, ?, ?)",
                [(name, value, _digest(name, value)) for name, value in rows],
            )

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _open(self) -> sqlite3.Connection:
        with self._clear():
            connection = sqlite3.connect(self.path, timeout=_WAIT_S)
            try:
                self._claim(connection)
            except BaseException:
                connection.close()
                raise
        return connection

    def _claim(self, connection: sqlite3.Connection) -> None:
        (owner,) = connection.execute("PRAGMA application_id").fetchone()
        (made_by,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if tables and owner != _OURS:
            raise CallError(
                f"{self.path} belongs to another program; move it away, or give another folder "
                "with --out"
            )
        if tables and made_by != _FORMAT:
            raise self._damage()
        # A process that is killed loses nothing; only a machine that loses power may damage the
        # file, which is then rebuilt: not worth the wait for the disk at every capture.
        connection.execute("PRAGMA synchronous = OFF")
        if not tables:
            connection.executescript(
                f"BEGIN EXCLUSIVE; PRAGMA application_id = {_OURS}; "
                f"PRAGMA user_version = {_FORMAT}; {_TABLE}; COMMIT"
            )

    def _verify(self) -> None:
        with self._clear():
            rows = self._connection.execute("SELECT * FROM entry")
            sound = all(_sound(*row) for row in rows)
            rows.close()
        if not sound:
            raise self._damage()

    def _rebuild(self) -> None:
        if hasattr(self, "_connection"):
            self._connection.close()
        with self._clear():
            for ending in ("", "-journal"):
                self.path.with_name(self.path.name + ending).unlink(missing_ok=True)
        self._connection = self._open()

    def _damage(self) -> _DamageError:
        return _DamageError(
            f"{self.path} is damaged or was written by another version of ocrlog; run the command "
            "again (it is rebuilt then, and nothing but time is lost)"
        )

    @contextmanager
    def _clear(self) -> Iterator[None]:
        """Turn what SQLite and the file system raise into errors that name file and mend."""
        try:
            yield
        except (sqlite3.DatabaseError, OSError) as error:
            code = getattr(error, "sqlite_errorcode", -1) & 0xFF
            if code in _DAMAGE:
                raise self._damage() from error
            if code in _HELD:
                raise BusyError(f"{self.path}: another process holds it; wait for it") from error
            raise CallError(
                f"{self.path} cannot be used ({error}); free some space or make the folder "
                "writable, or give another folder with --out"
            ) from error


def _name(space: str, key: str) -> bytes:
    return _bytes(f"{space}\0{key}")


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


def _text(data: bytes) -> str:
    return data.decode("utf-8", "surrogatepass")


def _digest(name: bytes, value: bytes) -> bytes:
    return xxhash.xxh3_64_digest(b"%d\0%s%s" % (len(name), name, value))


def _sound(name: object, value: object, digest: object) -> bool:
    return isinstance(name, bytes) and isinstance(value, bytes) and digest == _digest(name, value)
