"""The outputs that are held to the byte, by chapter: what they are made from and how."""

from __future__ import annotations

import dataclasses
import enum
import gzip
import inspect
import shlex
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

import click

import legibility
from legibility.cli import cli

from . import pages, readings, scripts
from .frozen import frozen
from .running import ROOT, everything_said, run, said
from .wording import Wording, digests

OLD: Final = Path(__file__).parent / "old" / "0.1.0"
"""What the first version wrote: inputs here, and opened as a user's own in ``test_old_files``."""

Outputs = dict[str, str]


def inputs(folder: Path) -> frozenset[str]:
    """Put the sample photos and a user's own files into a folder; gives their digests."""
    shutil.copytree(ROOT / "sample_images", folder / "sample_images")
    shutil.copytree(OLD, folder / "old")
    (folder / "two").mkdir()
    shutil.copy(OLD / "small.jpg", folder / "two" / "small.jpg")
    shutil.copy(OLD / "no-mark.jpg", folder / "two" / "no-mark.jpg")
    return digests(path for path in folder.rglob("*") if path.is_file())


def put_record(folder: Path) -> None:
    """The old record, with the copies of photos that lie beside it, and the confirmed one."""
    for name in ("herd", "confirmed"):
        packed = (OLD / f"{name}.db.gz").read_bytes()
        (folder / f"{name}.db").write_bytes(gzip.decompress(packed))
    for name in ("as-new.jpg", "upside-down.jpg", "no-mark.jpg"):
        (sha256,) = digests([ROOT / "sample_images" / name])
        copied = folder / "herd.photos" / sha256[:2] / f"{sha256}.jpg"
        copied.parent.mkdir(parents=True)
        shutil.copy(ROOT / "sample_images" / name, copied)


def _write(folder: Path, files: Iterable[str]) -> None:
    for file in files:
        name, _, lines = file.removeprefix("@").partition(": ")
        (folder / name).write_text("\n".join(lines.split("|")) + "\n", "utf-8")


def _script(
    commands: Mapping[str, str],
    files: Iterable[str],
    *,
    read: bool,
    put: Callable[[Path], None] = lambda folder: None,
) -> Outputs:
    """Run commands one after the other in one folder."""
    with frozen() as folder:
        known = inputs(folder)
        put(folder)
        _write(folder, files)
        wording = Wording(folder, ROOT, read=read, known=known)
        copies = {p.parent.name: p.name for p in folder.glob("herd.photos/*/*.jpg")}
        made = {}
        for name, command in commands.items():
            words = shlex.split(command)
            for at, word in enumerate(words):
                if word.endswith("/SHA.jpg"):
                    words[at] = word.replace("SHA.jpg", copies[word.split("/")[1]])
            made[name] = everything_said(words, wording)
    return made


def _help() -> Outputs:
    """``--help`` of the program and of every command."""
    with frozen():
        made = {"legibility": run("--help").output}
        waiting: list[tuple[str, click.Command]] = list(cli.commands.items())
        while waiting:
            name, command = waiting.pop()
            made[name.replace(" ", "-")] = run(*name.split(), "--help").output
            if isinstance(command, click.Group):
                waiting += [(f"{name} {inner}", c) for inner, c in command.commands.items()]
    return made


def _schema() -> Outputs:
    """Everything that SQLite says of a new record's tables, indexes and triggers."""
    with frozen() as folder:
        said("herd", "new", "herd.db")
        db = sqlite3.connect(folder / "herd.db")
        rows = db.execute("SELECT type, name, sql FROM sqlite_master ORDER BY type, name")
        text = "\n\n".join(f"-- {kind} {name}\n{sql}" for kind, name, sql in rows)
        version, application = (
            db.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("user_version", "application_id")
        )
        db.close()
    return {"record": f"-- user_version {version}, application_id {application}\n\n{text}\n"}


def _public() -> Outputs:
    """Public names with what a caller may rely on."""
    lines = []
    for name in sorted(legibility.__all__):
        value = getattr(legibility, name)
        if isinstance(value, str):
            lines.append(f"{name} = {value!r}")
        elif isinstance(value, enum.EnumMeta):
            lines += [f"enum {name}", *(f"    {m.name} = {m.value!r}" for m in value)]
        elif dataclasses.is_dataclass(value):
            lines.append(f"record {name}")
            for field in dataclasses.fields(value):
                has = field.default is not dataclasses.MISSING
                lines.append(f"    {field.name}" + (f" = {field.default!r}" if has else ""))
        elif isinstance(value, type):
            bases = ", ".join(base.__name__ for base in value.__mro__[1:])
            lines.append(f"class {name}({bases})")
        else:
            lines.append(f"def {name}")
            for one in inspect.signature(value).parameters.values():
                default = "" if one.default is one.empty else f" = {one.default!r}"
                lines.append(f"    {one.kind.description}: {one.name}{default}")
    return {"names": "\n".join(lines) + "\n"}


CHAPTERS: Final[dict[str, Callable[[], Outputs]]] = {
    "help": _help,
    "schema": _schema,
    "public": _public,
    "registry": lambda: _script(scripts.REGISTRY, scripts.REGISTRY_FILES, read=False),
    "record": lambda: _script(scripts.RECORD, scripts.RECORD_FILES, read=False, put=put_record),
    "photos": lambda: _script(scripts.PHOTOS, scripts.PHOTOS_FILES, read=True),
    "readings": readings.outputs,
    "pages": lambda: pages.outputs(inputs, put_record),
}
