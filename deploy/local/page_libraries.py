"""Files by others that the operator's page ships: fetched, checked and laid down again.

``python3 deploy/local/page_libraries.py`` asks the npm client, as this machine has it, for each
package at the version below, compares the archive with the digest below, and writes the few files
that the page uses, each package with its licence. Run it after changing a version here; the result
is committed, so that nobody needs npm to run or to test the page.

Only the standard library is used, and fontTools (which fpdf2 brings) to cut the print face down to
the scripts that the paper sheets can set.
"""

from __future__ import annotations

import base64
import hashlib
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
PAGE = PROJECT / "contactd" / "faces" / "page" / "static" / "vendor"
TESTS = PROJECT / "tests" / "browser" / "vendor"
PRINT_SCRIPTS = "U+0020-024F,U+02C6-02DD,U+0370-03FF,U+0400-04FF,U+2000-206F,U+20AC,U+2190-21FF"
PRINT_SIGNS = "U+2200-22FF,U+25A0-25FF,U+2600-26FF,U+FFFD"
TOPOLOGY_MODULES = ("feature", "identity", "reverse", "transform")

Change = Callable[[bytes], bytes]


def replacing(found: str, wanted: str) -> Change:
    """A change that puts one text for another; the text must be there."""

    def change(content: bytes) -> bytes:
        assert found.encode() in content, f"{found!r} is not in the file any more"
        return content.replace(found.encode(), wanted.encode())

    return change


def exporting(name: str) -> Change:
    """A change that makes a module of a script that defines one global."""
    return lambda content: content.rstrip() + f"\nexport default {name};\n".encode()


def for_print(content: bytes) -> bytes:
    """A font with only the letters and signs that the paper sheets set."""
    with tempfile.TemporaryDirectory() as folder:
        before, after = Path(folder, "before.ttf"), Path(folder, "after.ttf")
        before.write_bytes(content)
        options = [
            f"--unicodes={PRINT_SCRIPTS},{PRINT_SIGNS}",
            "--no-hinting",
            "--layout-features=",
        ]
        subprocess.run(
            [sys.executable, "-m", "fontTools.subset", before, f"--output-file={after}", *options],
            check=True,
        )
        return after.read_bytes()


@dataclass(frozen=True)
class Package:
    """A package of npm.

    Attributes:
        sha512: digest of its archive, base64.
        files: path in the package, to the name under which it is laid down.
        changes: what is changed in a file, by its name there.
    """

    name: str
    version: str
    sha512: str
    files: dict[str, str]
    changes: dict[str, Change] = field(default_factory=dict)
    to: Path = PAGE


PACKAGES = (
    Package(
        "world-atlas",
        "2.0.2",
        "IXfV0qwlKXpckz1FhwXVwKRjiIhOnWttOskm5CtxMsjgE/MXAYRHWJqgXOpM8IkcPBoXnyTU5lFHcYa5ChG0LQ==",
        {"land-110m.json": "land-110m.json"},
    ),
    Package(
        "d3-geo",
        "3.1.2",
        "5R8ZgDQorIxmauv7R6gpE/ndz+Z0qAZssigq0aXFdvPHdY41RqtW02jrRUQAL724NdPABYXo1+gQEGBBr7uKNg==",
        {"dist/d3-geo.min.mjs": "d3-geo.js"},
        {"d3-geo.js": replacing('from"d3-array"', 'from"../d3-array/d3-array.js"')},
    ),
    Package(
        "d3-array",
        "3.2.5",
        "Th8qGXoBalmWsstpkuhmBuTsBQIFqYOJtjlBvNVvBfJ8E3uYusBUwUR8HU20U0qKKQkgCvKyR1YjiozWadk5QA==",
        {"dist/d3-array.min.mjs": "d3-array.js"},
    ),
    Package(
        "topojson-client",
        "3.1.0",
        "605uxS6bcYxGXw9qi62XyrV6Q3xwbndjachmNxu8HWTtVPxZfEJN9fd/SZS1Q54Sn2y0TMyMxFj/cJINqGHrKw==",
        {f"src/{name}.js": f"{name}.js" for name in TOPOLOGY_MODULES},
    ),
    Package(
        "uplot",
        "1.6.32",
        "KIMVnG68zvu5XXUbC4LQEPnhwOxBuLyW1AHtpm6IKTXImkbLgkMy+jabjLgSLMasNuGGzQm/ep3tOkyTxpiQIw==",
        {"dist/uPlot.iife.min.js": "uplot.js", "dist/uPlot.min.css": "uplot.css"},
        {"uplot.js": exporting("uPlot")},
    ),
    Package(
        "@fontsource/atkinson-hyperlegible-next",
        "5.3.0",
        "8p1tHVoPDo6oYwSO3sMw5snGwFwSf3TmeSF9Gcj792GXdsg6oqvhoItbj6Hj/XZIk0Xs+Cwu6pkLBAl3Q5HrwA==",
        {
            f"files/atkinson-hyperlegible-next-latin-{weight}-normal.woff2": f"next-{weight}.woff2"
            for weight in (400, 600)
        },
    ),
    Package(
        "@fontsource/atkinson-hyperlegible-mono",
        "5.3.0",
        "7Iha5azCRXJVk4NdxbVdKAE+4p/rMJoW6dslvhktugDFPSp7kxFRGAavBtwtSTrnyNhKXW8w1NHgMnrh/6OshA==",
        {
            f"files/atkinson-hyperlegible-mono-latin-{weight}-normal.woff2": f"mono-{weight}.woff2"
            for weight in (400, 600)
        },
    ),
    Package(
        "dejavu-fonts-ttf",
        "2.37.3",
        "f1hd7jJbeQa1VWcw+K2KrTXS50zTMaHpVC4XIKJpNcDeYR5ajMtj/iLlQDYNvLOKamUB3ARVVCf79lNwNVztSQ==",
        {
            "ttf/DejaVuSansCondensed.ttf": "print.ttf",
            "ttf/DejaVuSansCondensed-Bold.ttf": "print-bold.ttf",
        },
        {"print.ttf": for_print, "print-bold.ttf": for_print},
    ),
    Package(
        "axe-core",
        "4.14.1",
        "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ==",
        {"axe.min.js": "axe.min.js"},
        to=TESTS,
    ),
)


def lay_down(package: Package) -> int:
    """Fetch, check and write one package's files; the number of bytes written."""
    folder = package.to / package.name.rpartition("/")[2]
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    size = 0
    with tempfile.TemporaryDirectory() as temporary:
        subprocess.run(
            ["npm", "pack", "--silent", f"{package.name}@{package.version}"],
            cwd=temporary,
            check=True,
            stdout=subprocess.DEVNULL,
        )
        (archive,) = Path(temporary).glob("*.tgz")
        found = base64.b64encode(hashlib.sha512(archive.read_bytes()).digest()).decode()
        if found != package.sha512:
            sys.exit(f"{package.name} {package.version}: the archive's digest is {found}")
        with tarfile.open(archive) as packed:
            for inside, name in {**package.files, "LICENSE": "LICENSE"}.items():
                member = packed.extractfile(f"package/{inside}")
                assert member is not None
                content = package.changes.get(name, lambda same: same)(member.read())
                (folder / name).write_bytes(content)
                size += len(content)
    return size


def main() -> None:
    """Lay down every package, and say how large each is."""
    for package in PACKAGES:
        print(f"{lay_down(package):>9,d}  {package.name} {package.version}")


if __name__ == "__main__":
    main()
