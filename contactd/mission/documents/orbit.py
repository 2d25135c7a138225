"""Documents of how well an orbit is known, and what observations teach of it."""

from __future__ import annotations

from contactd.core.instants import DAY_S
from contactd.core.learning.identification import Identification
from contactd.core.learning.known import Lesson
from contactd.core.target import Target
from contactd.mission.documents.spans import Form
from contactd.mission.timetext import NEAREST, machine


def orbit_form(target: Target, lesson: Lesson | None, now: float) -> Form:
    """What observations teach of a target's elements; nulls where there are none."""
    if lesson is None:
        return {"target": target.name, "corrected": False, "epoch": None, "age_s": None,
                "bound_s": None,
                "receptions": 0, "measured": 0, "unused": [], "learned": None}  # fmt: skip
    epoch = lesson.elements.epoch
    return {
        "target": target.name,
        "corrected": target.configured is not None,
        "epoch": machine(epoch, NEAREST),
        "age_s": round(now - epoch, 3),
        "bound_s": round(lesson.growth.at((now - epoch) / DAY_S), 3),
        "receptions": lesson.receptions,
        "measured": lesson.measured,
        "unused": [{"record": each.record, "reason": each.reason} for each in lesson.unused],
        "learned": _learned_form(lesson, now),
    }


def _learned_form(lesson: Lesson, now: float) -> Form | None:
    learned = lesson.learned
    if learned is None:
        return None
    return {
        "at": machine(learned.at, NEAREST),
        "offset_s": round(learned.offset_s, 3),
        "bound_s": round(learned.bound_s, 3),
        "drift_s_per_day": round(learned.drift_s_per_day, 3),
        "drift_bound_s_per_day": round(learned.drift_bound_s_per_day, 3),
        "offset_now_s": round(learned.offset_at(now), 3),
        "bound_now_s": round(learned.bound_at(now), 3),
        "contacts": learned.contacts,
        "manoeuvre_suspected": learned.manoeuvre_suspected,
    }


def offset_text(offset_s: float, bound_s: float) -> str:
    """``2.3 s late ± 1.1 s``."""
    side = "early" if offset_s >= 0 else "late"
    return f"{abs(offset_s):.1f} s {side} ± {bound_s:.1f} s"


def orbit_sentences(target: Target, lesson: Lesson | None, now: float) -> list[str]:
    """What whoever plans should know of it."""
    if lesson is None:
        return []
    said = []
    if target.configured is not None:
        said.append(f"Predictions rest on {target.elements_source}.")
    learned = lesson.learned
    if learned is not None:
        contacts = "1 contact" if learned.contacts == 1 else f"{learned.contacts} contacts"
        without = lesson.growth.at((now - lesson.elements.epoch) / DAY_S)
        offset, bound = learned.offset_at(now), learned.bound_at(now)
        said.append(
            f"By {contacts} it now runs {offset_text(offset, bound)} (95 %) of its elements, "
            f"which alone are known to ± {without:.1f} s."
        )
    if learned is not None and learned.manoeuvre_suspected:
        said.append(
            "The latest observations contradict all before them: suspect a manoeuvre. "
            "Get newer elements."
        )
    said += [f"Record {each.record} does not count: {each.reason}." for each in lesson.unused]
    return said


def identification_form(found: Identification) -> Form:
    """Which of several objects was observed; ``answer`` is null where it is not decided."""
    return {
        "answer": found.answer,
        "reason": found.reason or None,
        "candidates": [
            {
                "name": each.name,
                "probability": round(each.probability, 6),
                "offset_s": None if each.reason else round(each.offset_s, 3),
                "misfit": None if each.reason else round(each.misfit, 2),
                "reason": each.reason or None,
            }
            for each in found.fits
        ],
    }


def identification_sentence(found: Identification) -> str:
    """Which it is, and how much better than the next; or that it is not decided."""
    if found.answer is None:
        return f"Not decided: {found.reason}."
    share = share_text(found.fits[0].probability)
    if len(found.fits) < 2:
        return f"It fits {found.answer}, the only candidate."
    return f"It is {found.answer} ({share}); next {found.fits[1].name} " \
           f"({share_text(found.fits[1].probability)})."  # fmt: skip


def share_text(probability: float) -> str:
    """``97.3 %``; never 0 or 100."""
    if probability > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.001 else f"{100 * probability:.1f} %"
