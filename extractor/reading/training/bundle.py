"""Make the bundle that training needs: fonts and scenes in one archive, parted by split.

    python -m extractor.reading.training.bundle BUNDLE.zip

Fetches the packages named in ``fonts.toml`` (npm) and ``scenes.toml`` (apt-get download), checks
the fonts' licences, subsets every face to the charset. Takes a few minutes; needs npm, apt-get
and dpkg-deb. The archive holds ``fonts/SPLIT/CLASS/FAMILY/FACE.ttf``, ``scenes/SPLIT/NAME.jpg``
and ``manifest.json`` (package, version and licence of every family).
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from extractor.reading.training.charset import DRAWN

_HERE = Path(__file__).parent
_LICENCES = {"OFL-1.1", "Apache-2.0", "MIT", "Bitstream-Vera"}
_WEIGHTS = (400, 700, 500, 300, 600, 800, 900)
_FACES = 4  # a family: up to three weights and one slanted face
_SCENES = 130  # a split
_SIDE = 560  # px of a scene's longer side


def licence(package: Path) -> str:
    """Name the licence of an unpacked font package, told by its text where it has one.

    Raises
    ------
    ValueError
        The licence is none of those that are known to allow this use.
    """
    stated = str(json.loads((package / "package.json").read_text()).get("license", ""))
    text = " ".join(p.read_text(errors="replace") for p in package.glob("LICENSE*"))
    for words, name in (
        ("SIL OPEN FONT LICENSE", "OFL-1.1"),
        ("Bitstream Vera", "Bitstream-Vera"),
        ("Apache License", "Apache-2.0"),
    ):
        if words.lower() in text.lower():
            return name
    if stated in _LICENCES:
        return stated
    raise ValueError(f"{package.name}: licence {stated!r} is not among {sorted(_LICENCES)}")


def _faces(package: Path) -> list[Path]:
    files = package / "files"
    upright, slanted = [], []
    for weight in _WEIGHTS:
        upright += sorted(files.glob(f"{package.name}-latin-{weight}-normal.woff2"))
        slanted += sorted(files.glob(f"{package.name}-latin-{weight}-italic.woff2"))
    if not upright:  # families without a latin file of their own name
        upright = sorted(files.glob("*-latin-*-normal.woff2")) or sorted(files.glob("*.woff2"))
    return upright[: _FACES - 1] + slanted[:1]


def _subset(face: Path) -> bytes | None:
    """Cut a face to the charset, as TrueType; None if it lacks figures."""
    from fontTools import subset
    from fontTools.ttLib import TTFont

    font = TTFont(face)
    has = set(font.getBestCmap())
    if not set(map(ord, "0123456789")) <= has:
        return None
    options = subset.Options(layout_features=["tnum"], notdef_outline=True, hinting=True)
    cutter = subset.Subsetter(options)
    cutter.populate(unicodes=[ord(c) for c in DRAWN if ord(c) in has])
    cutter.subset(font)
    font.flavor = None
    out = io.BytesIO()
    font.save(out)
    return out.getvalue()


def _add_fonts(archive: zipfile.ZipFile, modules: Path) -> dict[str, Any]:
    lists = tomllib.loads((_HERE / "fonts.toml").read_text())
    told: dict[str, Any] = {}
    for split, classes in lists.items():
        for kind, families in classes.items():
            for family in families:
                package = modules / family
                try:
                    terms = licence(package)
                except ValueError as problem:
                    print("left out:", problem)
                    continue
                version = json.loads((package / "package.json").read_text())["version"]
                kept = 0
                for face in _faces(package):
                    data = _subset(face)
                    if data is not None:
                        archive.writestr(f"fonts/{split}/{kind}/{family}/{face.stem}.ttf", data)
                        kept += 1
                told[family] = {
                    "package": f"@fontsource/{family}", "version": version, "licence": terms,
                    "split": split, "class": kind, "faces": kept,
                }  # fmt: skip
    return told


def _install_fonts(folder: Path) -> Path:
    lists = tomllib.loads((_HERE / "fonts.toml").read_text())
    names = [f"@fontsource/{n}" for c in lists.values() for group in c.values() for n in group]
    (folder / "package.json").write_text('{"private": true}')
    done = folder / "node_modules" / "@fontsource"
    if not done.exists():
        subprocess.run(
            ["npm", "install", "--no-audit", "--no-fund", "--ignore-scripts", *names],
            cwd=folder, check=True,
        )  # fmt: skip
    return done


def _pictures(folder: Path) -> Iterator[tuple[str, Any]]:
    """Yield every picture under ``folder``, inside archives too, in a fixed order."""
    from PIL import Image

    endings = {".jpg", ".jpeg", ".png", ".webp", ".tga"}
    for path in sorted(folder.rglob("*")):
        if path.suffix.lower() in endings and path.is_file():
            yield path.stem, lambda path=path: Image.open(path)
        elif path.suffix.lower() == ".pk3" and path.is_file():
            inner = zipfile.ZipFile(path)
            for name in sorted(inner.namelist()):
                if Path(name).suffix.lower() in endings:
                    yield (
                        Path(name).stem,
                        lambda name=name, inner=inner: Image.open(io.BytesIO(inner.read(name))),
                    )


def _scene_files(folder: Path, split: dict[str, list[str]]) -> Iterator[tuple[str, list[Any]]]:
    for name in split.get("debian", []):
        there = folder / name
        if not there.exists():
            there.mkdir(parents=True)
            subprocess.run(["apt-get", "download", name], cwd=there, check=True)
            subprocess.run(["dpkg-deb", "-x", *map(str, there.glob("*.deb")), there], check=True)
        yield name, list(_pictures(there))
    for inside in split.get("python", []):
        package, _, rest = inside.partition("/")
        spec = find_spec(package)
        if spec is None or not spec.submodule_search_locations:
            raise ValueError(f"{package} is missing; mend: pip install 'ocrlog[samples]'")
        yield package, list(_pictures(Path(spec.submodule_search_locations[0]) / rest))


def _add_scenes(archive: zipfile.ZipFile, folder: Path) -> dict[str, int]:
    import numpy as np

    told: dict[str, int] = {}
    for split, sources in tomllib.loads((_HERE / "scenes.toml").read_text()).items():
        groups = list(_scene_files(folder, sources))
        for source, pictures in groups:
            room = _SCENES // len(groups)
            kept = 0
            for at in range(0, len(pictures), max(1, len(pictures) // (2 * room))):
                if kept == room:
                    break
                name, opened = pictures[at]
                picture = opened().convert("RGB")
                if min(picture.size) < 128 or np.asarray(picture).std() < 12:
                    continue
                picture.thumbnail((_SIDE, _SIDE))
                out = io.BytesIO()
                picture.save(out, "JPEG", quality=82)
                archive.writestr(f"scenes/{split}/{source}-{at}-{name}.jpg", out.getvalue())
                kept += 1
            told[f"{split}/{source}"] = kept
    return told


def main() -> None:
    """Write the archive that the first argument names; a second one names a folder to reuse."""
    target = Path(sys.argv[1])
    work = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(tempfile.mkdtemp())
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        scenes = _add_scenes(archive, work)
        fonts = _add_fonts(archive, _install_fonts(work))
        archive.writestr("manifest.json", json.dumps({"fonts": fonts, "scenes": scenes}, indent=1))
    print(f"{len(fonts)} families, scenes {scenes}, {target.stat().st_size / 2**20:.1f} MiB")


if __name__ == "__main__":
    main()
