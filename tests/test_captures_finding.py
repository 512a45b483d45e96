"""Finding the files that may be captures."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from extractor.captures import find_captures
from extractor.errors import CallError


def put(root: Path, *names: str) -> None:
    for name in names:
        file = root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"x")


def labels(root: Path) -> list[str]:
    return [candidate.path for candidate in find_captures(root).candidates]


def test_endings_in_any_case_and_the_rest_counted(tmp_path: Path) -> None:
    stills = ["png", "jpg", "jpeg", "webp", "bmp", "gif", "tif", "tiff", "heic", "heif", "avif"]
    endings = [*stills, "mp4", "mov", "mkv", "webm", "3gp"]
    put(tmp_path, *(f"a.{ending}" for ending in endings), "B.PNG", "c.Mp4")
    put(tmp_path, "README.md", "facts.csv", "session.toml", "png", "sub/notes.txt")
    listing = find_captures(tmp_path)
    assert len(listing.candidates) == len(endings) + 2
    assert listing.ignored == 5
    assert listing.problems == ()


def test_sorted_by_code_points_of_the_whole_label(tmp_path: Path) -> None:
    put(tmp_path, "b.png", "a/z.png", "a-1.png", "Z.png", "a.png", "é.png", "a0/a.png")
    assert labels(tmp_path) == [
        *("Z.png", "a-1.png", "a.png", "a/z.png", "a0/a.png", "b.png", "é.png")
    ]


def test_folders_never_searched(tmp_path: Path) -> None:
    put(tmp_path, "a.png", "sub/b.png", ".hidden.png", ".cache/c.png", "._a.png")
    put(tmp_path, "readings/flagged/c.png", "decisions/d.png", "sub/calibration/e.png")
    put(tmp_path, "elsewhere/.ocrlog", "elsewhere/deep/f.png", "elsewhere/notes.txt")
    put(tmp_path, "my readings/g.png")
    listing = find_captures(tmp_path)
    assert [candidate.path for candidate in listing.candidates] == [
        *("a.png", "my readings/g.png", "sub/b.png")
    ]
    assert listing.ignored == 0


def test_the_folder_given_is_searched_whatever_its_name(tmp_path: Path) -> None:
    put(tmp_path, "readings/a.png")
    assert labels(tmp_path / "readings") == ["a.png"]


def test_a_name_that_is_not_utf8(tmp_path: Path) -> None:
    raw = os.fsencode(tmp_path) + b"/caf\xe9 \xc3\xa9.png"
    Path(os.fsdecode(raw)).write_bytes(b"x")
    (found,) = find_captures(tmp_path).candidates
    assert found.path == "caf\\xE9 é.png"
    assert found.file.read_bytes() == b"x"


def test_links(tmp_path: Path) -> None:
    put(tmp_path, "in/a.png", "out/b.png")
    (tmp_path / "in/link.png").symlink_to(tmp_path / "out/b.png")
    (tmp_path / "in/broken.png").symlink_to("nowhere.png")
    (tmp_path / "in/up").symlink_to(tmp_path / "in")
    (tmp_path / "in/loop.png").symlink_to("loop.png")
    listing = find_captures(tmp_path / "in")
    assert [candidate.path for candidate in listing.candidates] == ["a.png", "link.png"]
    told = {problem.capture: problem.problem for problem in listing.problems}
    assert set(told) == {"broken.png", "loop.png", "up"}
    assert "leads to no file" in told["broken.png"]
    assert "link to a folder" in told["up"]
    assert all(problem.mend for problem in listing.problems)


def test_a_pipe_is_never_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.png")
    listing = find_captures(tmp_path)
    assert (listing.candidates, listing.ignored) == ((), 1)


def refuse(monkeypatch: pytest.MonkeyPatch, refused: Path) -> None:
    """As if the system denied ``refused``: tests may run as a user who may read everything."""
    real = os.scandir

    def scandir(folder: Path) -> object:
        if Path(folder) == refused:
            raise PermissionError(13, "Permission denied", str(folder))
        return real(folder)

    monkeypatch.setattr("os.scandir", scandir)


def test_an_unreadable_subfolder_does_not_end_the_batch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, "a.png", "locked/b.png", "open/c.png")
    refuse(monkeypatch, tmp_path / "locked")
    listing = find_captures(tmp_path)
    assert [candidate.path for candidate in listing.candidates] == ["a.png", "open/c.png"]
    (problem,) = listing.problems
    assert problem.capture == "locked"
    assert "Permission denied" in problem.problem
    assert "right to read" in problem.mend


def test_roots_that_cannot_be_searched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CallError, match="no such folder; check the path"):
        find_captures(tmp_path / "none")
    put(tmp_path, "a.png", "out/.ocrlog")
    with pytest.raises(CallError, match="is a file, not a folder; give the folder"):
        find_captures(tmp_path / "a.png")
    with pytest.raises(CallError, match="holds results of ocrlog"):
        find_captures(tmp_path / "out")
    refuse(monkeypatch, tmp_path)
    with pytest.raises(CallError, match=r"cannot be read \(Permission denied\); give yourself"):
        find_captures(tmp_path)


def test_an_empty_folder_has_no_candidates(tmp_path: Path) -> None:
    assert find_captures(tmp_path).candidates == ()
