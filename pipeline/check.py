"""Values that people write, checked by the types of the fields they go into, and told if wrong."""

import difflib
import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from functools import cache, partial
from pathlib import Path
from typing import Annotated, Any, ClassVar, TypeVar, get_args, get_origin

from pipeline.problem import SettingsProblem, reason_of
from pipeline.small_file import read_toml

Made = TypeVar("Made")
Place = tuple[int | str, ...]

_LONGEST_SHOWN = 80
_COUNTS = ("no", "one", "two", "three", "four")


class Wrong(ValueError):
    """A value that makes no sense.

    `what` is wrong with it, without its key; `remedy` is what to do, an imperative (a profile is
    always to be corrected); `key`, dotted, is of the part of the value that is meant.
    """

    def __init__(self, what: str, remedy: str = "correct it", key: str = "") -> None:
        super().__init__(what)
        self.what, self.remedy = what, remedy
        self.place: Place = tuple(key.split(".")) if key else ()


@dataclass(frozen=True)
class Mark:
    """Marks a field's type with a check of what is written there; `build` returns its schema.

    It knows the library by the form of its schemas only: that takes as long to load as all of the
    command's help.
    """

    build: Callable[[Any, Any], Any]

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        """Return the check of a value for the marked type, by way of which `handler` goes on."""
        return self.build(source, handler)


def noun(words: str, verb: str = "give", **limits: int) -> Mark:
    """Mark a type told as "give a ...", `limits` being ge and le; nothing is converted."""
    strict = {"strict": True, **limits}
    return Mark(lambda source, handler: _told({**handler(source), **strict}, words, verb))


def spelt(pattern: str, words: str) -> Mark:
    """Mark text in which a regular expression is found."""
    schema = {"type": "str", "strict": True, "pattern": pattern}
    return Mark(lambda _source, _handler: _told(schema, words))


def one_of(names: Sequence[str]) -> Mark:
    """Mark text that is one of some names."""
    schema = {"type": "literal", "expected": list(names)}
    return Mark(lambda _source, _handler: _told(schema, f"one of {', '.join(names)}", "choose"))


def within(low: float, high: float = math.inf, *, shared: bool = False, words: str = "") -> Mark:
    """Mark numbers from `low` to `high`: one, or rows of them; true, NaN and text are none.

    Where they are `shared`, one number may stand for all of a row. `words` say what is to be
    given, where numbers and limits don't.
    """

    def build(source: Any, _handler: Any) -> Any:
        schema, right = _numbers(source, {"ge": low, "le": high})
        if shared:
            schema = _before(partial(_repeated, len(get_args(source))), schema)
            right = f"a number, or {right},"
        limits = f"{low:.10g} to {high:.10g}" if high < math.inf else f"{low:.10g} up"
        return _told(schema, words or f"{right} from {limits}")

    return Mark(build)


def read(function: Callable[[Any], Any]) -> Mark:
    """Mark a type whose values a function reads before they are checked; it may raise `Wrong`."""
    return Mark(lambda source, handler: _before(function, handler(source)))


def then(function: Callable[[Any], Any]) -> Mark:
    """Mark a type whose values a function takes on once checked; it may raise `Wrong`."""
    return Mark(lambda source, handler: _before(function, handler(source), "function-after"))


class Closed:
    """Base of dataclasses read from tables that may hold no other keys; `given` are not read.

    `renamed` tells what to write instead of a key that once was known.
    """

    given: ClassVar[tuple[str, ...]] = ()
    renamed: ClassVar[Mapping[str, str]] = {}

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> Any:
        """Return the check of the fields after that of the keys."""
        return _before(partial(_known_keys, cls), handler(source))


Text = Annotated[str, spelt(r"\S", "a text")]
Flag = Annotated[bool, noun("true or false", "write")]


def _numbers(source: Any, limits: dict[str, float]) -> tuple[dict[str, Any], str]:
    """Return the check of a number, or of rows of them, and what they are in words."""
    if get_origin(source) is not tuple:
        number = {"type": "float", "strict": True, "allow_inf_nan": False, **limits}
        if source is float:
            return number, "a number"
        steps = [{**number, "multiple_of": 1.0}, {"type": "int"}]
        return {"type": "chain", "steps": steps}, "a whole number"
    first, *others = get_args(source)
    schema, word = _numbers(first, limits)
    rows = f"rows of {word}" if get_origin(first) is tuple else f"{word}s".removeprefix("a ")
    if others == [...]:
        return {"type": "tuple", "items_schema": [schema], "variadic_item_index": 0}, rows
    items = [schema] * (1 + len(others))
    return {"type": "tuple", "items_schema": items}, f"{_COUNTS[len(items)]} {rows}"


def _told(schema: Any, words: str, verb: str = "give") -> dict[str, Any]:
    """Return a check that tells what would be right, whatever is wrong."""
    return {
        "type": "custom-error",
        "schema": schema,
        "custom_error_type": "told",
        "custom_error_message": words,
        "custom_error_context": {"noun": words, "verb": verb},
    }


def _before(
    function: Callable[[Any], Any], schema: Any, kind: str = "function-before"
) -> dict[str, Any]:
    call = {"type": "no-info", "function": function}
    return {"type": kind, "function": call, "schema": schema}


def _repeated(count: int, value: Any) -> Any:
    row = value if isinstance(value, (list, tuple)) else (value,)
    return tuple(row) * count if len(row) == 1 else row


def _known_keys(kind: Any, table: Any) -> Any:
    from pydantic_core import PydanticCustomError

    names = [item.name for item in fields(kind) if item.name not in kind.given]
    for key in table if isinstance(table, dict) else ():
        if key not in (*names, *kind.given):
            near = nearest(plain_key(str(key)), names)
            remedy = kind.renamed.get(key) or near or f"the keys are {', '.join(names)}"
            raise PydanticCustomError("unknown", "unknown", {"key": key, "remedy": remedy})
    return table


def plain_key(key: str) -> str:
    """Return a key as keys are written: 'share_size' for Share-Size."""
    return key.replace("-", "_").lower()


def nearest(word: str, known: Collection[str], likeness: float = 0.6) -> str:
    """Return "write 'exposure' if that is meant" for a word like a known one, else nothing."""
    near = difflib.get_close_matches(word, known, 1, likeness)
    return f"write '{near[0]}' if that is meant" if near else ""


@cache
def _check(kind: Any) -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(kind)


def part(kind: Callable[..., Made], value: Any) -> Made:
    """Return a value made inside of the reading of another one."""
    made: Made = _check(kind).validate_python(value)
    return made


def made(
    kind: Callable[..., Made],
    value: Any,
    where: Path | None = None,
    at: Place = (),
    profile: str = "",
) -> Made:
    """Return a value of a kind, made of what somebody wrote.

    `kind` is a dataclass, its fields marked with what is allowed; `value` a table as TOML or the
    command have it; `at` its place in the file: keys, and for tables in a list how many go before.
    `profile` is in words what kind it is ('film profile'), empty for a user's notes.

    Raises SettingsProblem if a value makes no sense; the sentence names file, key and reason.
    """
    from pydantic import ValidationError

    try:
        return part(kind, value)
    except ValidationError as error:
        raise _problem(error.errors(include_url=False)[0], where, at, profile) from error


def _problem(slip: Any, where: Path | None, at: Place, profile: str) -> SettingsProblem:
    """Return what the library says of a value in words of our own."""
    place = at + tuple(step for step in slip["loc"] if step != "[key]")
    context, between = slip.get("ctx", {}), " "
    if slip["type"] == "told":
        # A number of a row is told with the whole row's key.
        while len(place) > len(at) and isinstance(place[-1], int):
            place = place[:-1]
        shown, right = repr(slip["input"]), context["noun"]
        shown = f"{shown[:_LONGEST_SHOWN]}..." if len(shown) > _LONGEST_SHOWN else shown
        what = f"is {shown}, not {right}" if profile else f"is {shown}"
        remedy = f"{context['verb']} {right}"
    elif slip["type"] == "missing":
        what, remedy = "is missing", "add it"
    elif slip["type"] == "unknown":
        what, between, remedy = "is not known", ": ", context["remedy"]
        if profile:
            place += (context["key"],)
        else:
            what = f"key '{context['key']}' {what}"
    elif slip["type"] == "value_error":
        wrong: Wrong = context["error"]
        place, between, what, remedy = place + wrong.place, ": ", wrong.what, wrong.remedy
    else:
        what, remedy = "is not a table", f"write it under a heading [{_dotted(place)}]"
    if profile:
        return SettingsProblem(where, f"key '{_dotted(place)}' {what}", f"correct the {profile}")
    return SettingsProblem(where, f"{_in_words(place, between)}{what}", remedy)


@contextmanager
def telling(where: Path | None, at: Place = ()) -> Iterator[None]:
    """Tell `Wrong` of values in a user's notes that don't go together by their file and place."""
    try:
        yield
    except Wrong as wrong:
        raise SettingsProblem(where, f"{_in_words(at, ': ')}{wrong.what}", wrong.remedy) from wrong


def read_profile(kind: Callable[..., Made], path: Path, profile: str) -> Made:
    """Return a profile from a TOML file; `profile` is what it is in words: 'film profile'.

    Raises SettingsProblem if the file can't be read or a key is missing or makes no sense.
    """
    try:
        document = read_toml(path)
    except (OSError, ValueError) as error:
        raise SettingsProblem(
            path,
            f"can't be read as a {profile} ({reason_of(error)})",
            "give a TOML file like the one that comes with evenroll",
        ) from error
    return made(kind, document, path, profile=profile)


def _dotted(at: Place) -> str:
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in at).lstrip(".")


def _in_words(place: Place, end: str) -> str:
    """Return a place as a user's notes have it: "entry 2 of [[frames]]: 'left_mm'", and `end`."""
    words: list[str] = []
    for before, step in zip(("", *place), place, strict=False):
        if isinstance(step, int):
            words[-1] = f"entry {step + 1} of [[{before}]]"
        else:
            words.append(f"'{step}'")
    return ": ".join(words) + end if words else ""
