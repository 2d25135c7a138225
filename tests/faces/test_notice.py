"""The notice that goes with what is hazardous has one wording, wherever a face shows it."""

from __future__ import annotations

from pathlib import Path

import contactd
from contactd.mission.texts.notice import NOTICE

PACKAGE = Path(contactd.__file__).parent
PLACES = ("*.py", "*.js", "*.html")


def test_no_face_has_a_notice_of_its_own() -> None:
    found = {
        path.relative_to(PACKAGE).as_posix(): " ".join(path.read_text(encoding="utf-8").split())
        for pattern in PLACES
        for path in PACKAGE.rglob(pattern)
        if "vendor" not in path.parts
    }
    speaking = {name for name, text in found.items() if "authority decide" in text}
    assert speaking == {
        "mission/texts/notice.py",
        "faces/page/static/index.html",
        "faces/page/static/docs.html",
    }
    for name in speaking - {"mission/texts/notice.py"}:
        assert NOTICE in found[name]
