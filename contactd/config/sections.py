"""What all models of configuration files share.

A *section* is a mapping with known keys; all others are errors. Keys are named for readers of the
files (``ahead: 7d``), attributes for readers of the code (``ahead_s``). A key with nothing after
its colon, as commenting out leaves it, counts as an empty section or list.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, NoReturn, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError, core_schema

from contactd.config.types import File, Instant, Text

MOST_ITEMS = 1_000


class Section(BaseModel):
    """A mapping with known keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    @model_validator(mode="before")
    @classmethod
    def _nothing_is_empty(cls, value: Any) -> Any:
        return {} if value is None else value


Item = TypeVar("Item")


def _list(value: Any) -> Any:
    return [] if value is None else value


def _list_or_one(value: Any) -> Any:
    if value is None:
        return []
    return value if isinstance(value, list) else [value]


Many = Annotated[tuple[Item, ...], BeforeValidator(_list), Field(max_length=MOST_ITEMS)]
"""A list."""

OneOrMany = Annotated[tuple[Item, ...], BeforeValidator(_list_or_one), Field(max_length=MOST_ITEMS)]
"""A list, or one item of it without the brackets."""


class Choice:
    """Sections told apart by the word in one key. Names for ``Annotated[Any, Choice(…)]``."""

    def __init__(self, key: str, sections: Mapping[str, type[Section]]) -> None:
        self.key = key
        self.sections = sections

    def __get_pydantic_core_schema__(self, _source: Any, handler: Any) -> core_schema.CoreSchema:
        choices = {word: handler.generate_schema(each) for word, each in self.sections.items()}
        return core_schema.tagged_union_schema(choices, discriminator=self.key)


class SpanOrCalendar(Section):
    """An item of a list of spans: a span, or a calendar file."""

    start: Instant | None = Field(default=None, alias="from")
    end: Instant | None = Field(default=None, alias="to")
    why: Text = ""
    ics: File | None = None

    @model_validator(mode="before")
    @classmethod
    def _text_is_calendar(cls, value: Any) -> Any:
        return {"ics": value} if isinstance(value, str) else value

    @model_validator(mode="after")
    def _complete(self) -> SpanOrCalendar:
        if self.ics is not None:
            if self.start is not None or self.end is not None:
                raise_at(("ics",), "either ics, or from and to")
            return self
        for key, value in (("from", self.start), ("to", self.end)):
            if value is None:
                raise_at((key,), "from and to, each a UTC time, or the name of an .ics file")
        if self.start is not None and self.end is not None and self.end <= self.start:
            raise_at(("to",), "a time after from")
        return self


Spans = OneOrMany[SpanOrCalendar]


def raise_at(place: tuple[str | int, ...], expected: str, found: str | None = None) -> NoReturn:
    """Refuse a section for what stands at a place in it.

    Raises:
        PydanticCustomError: always; the place travels with it.
    """
    context: dict[str, Any] = {"expected": expected, "place": place}
    if found is not None:
        context["found"] = found
    raise PydanticCustomError("expected", "{expected}", context)
