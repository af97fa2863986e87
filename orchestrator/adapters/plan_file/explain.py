"""A model's objections, in words for whoever wrote the file: what was found, what is allowed, what to do.

Each kind of pydantic error that the models can raise has its sentence here. What the package's own validators say is
shown as it stands. Nothing else of pydantic's wording gets through.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, get_origin

from pydantic import ValidationError

from orchestrator.adapters.plan_file.source import BROKEN, Path, Source
from orchestrator.core.design.declared import OWN_WORDS, Declared
from orchestrator.core.design.fields import Slot
from orchestrator.core.design.wording import listed, nearest, shown

#: Keys that would hold a secret, and that people look for in such files.
_SECRETS = frozenset({"password", "passwd", "passphrase", "secret", "token", "private-key"})

_Sentence = Callable[[Any, Slot], str]


def build(model: type[Declared], source: Source, at: Path = ()) -> Any:
    """Validate what stands at a path of a file against a model; objections go into the source.

    Returns:
        The model, or None when there was an objection or nothing to validate.
    """
    node = source.root.at(at) if source.root is not None else None
    if node is None:
        return None
    data = node.plain
    try:
        return model.model_validate(data, by_alias=True, by_name=False)
    except ValidationError as error:
        for line in error.errors(include_url=False):
            _report(line, Slot.of(model), source, at, data)
        return None


def _report(line: Any, whole: Slot, source: Source, prefix: Path, data: Any) -> None:
    steps = tuple(line["loc"])
    on_key = steps[-1:] == ("[key]",)
    inside = steps[:-1] if on_key else steps
    path = prefix + inside
    if source.is_broken(path):
        return
    found, kind = _value_at(data, inside), line["type"]
    if kind == "too_short" and len(found) >= line["ctx"]["min_length"]:
        return  # follows from items that have been reported themselves
    if kind == "extra_forbidden":
        source.report(_unknown_key(str(inside[-1]), whole.at(inside[:-1])), path, key=True)
        return
    slot = whole.at(inside) or Slot(None)
    if kind == "missing":
        source.report(
            f"is missing; {_wanted(slot)}{f' ({_first(slot.description)})' if slot.description else ''}", path
        )
    elif kind == OWN_WORDS:
        source.report(line["msg"], path, key=on_key)
    elif kind in {"value_error", "assertion_error"}:
        source.report(f"{shown(found)}: {line['ctx']['error']}", path)
    else:
        sentence = _SENTENCES.get(kind, _no_fit)
        source.report(sentence(found, slot), path)


def _value_at(data: Any, path: Path) -> Any:
    for step in path:
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            return BROKEN
    return data


def _unknown_key(key: str, around: Slot | None) -> str:
    known = list(around.fields) if around is not None else []
    if key.lower().replace("_", "-") in _SECRETS:
        return (
            f"unknown key {shown(key)}: no secret is kept in a file; log in with a key (identity: its path) or an agent"
        )
    near = nearest(key, known)
    meant = f"; did you mean {shown(near)}?" if near is not None else ";"
    allowed = f"Allowed here: {listed(known, most=20)}" if known else "no keys are allowed here"
    return f"unknown key {shown(key)}{meant} {allowed}"


def _first(description: str) -> str:
    return description.split("\n", maxsplit=1)[0].rstrip(".").replace("``", "")


# ---------------------------------------------------------------------------------------------------- the sentences


def _wanted(slot: Slot) -> str:
    """What a slot takes, with an article: ``a size such as '512 MiB'``."""
    if slot.quantity is not None:
        return f"write {slot.quantity.noun} such as {slot.quantity.example!r}"
    if slot.choices:
        return f"write {'one of: ' if len(slot.choices) > 1 else ''}{listed(slot.choices)}"
    if slot.model is not None:
        return f"write a mapping with keys such as {listed(list(slot.fields)[:5])}"
    if slot.item is not None:
        return "write a mapping of names to values" if get_origin(slot.type) is dict else "write a list"
    names = {str: "text", int: f"a whole number{_range(slot)}", float: f"a number{_range(slot)}", bool: "true or false"}
    return f"write {names.get(slot.type, 'a value')}"


def _range(slot: Slot) -> str:
    """The bounds of a slot in the units of the file: `` from 1 to 1024``."""
    write: Callable[[Any], str] = slot.quantity.write if slot.quantity is not None else str
    low, above, high, below = (slot.bound(kind) for kind in ("ge", "gt", "le", "lt"))
    parts = [
        f" from {write(low)}" if low is not None else "",
        f" above {write(above)}" if above is not None else "",
        f" to {write(high)}"
        if high is not None and low is not None
        else f" up to {write(high)}"
        if high is not None
        else "",
        f" below {_below(below, write, slot)}" if below is not None else "",
    ]
    return " and".join(part for part in parts if part).replace(" and to ", " to ")


def _below(bound: Any, write: Callable[[Any], str], slot: Slot) -> str:
    return "2^63" if bound == 2**63 and slot.quantity is None else write(bound)


def _wrong_type(found: Any, slot: Slot) -> str:
    if found is None:
        return f"has no value; {_wanted(slot)}{', or leave the key out' if slot.optional else ''}"
    unquote = (
        " without quotes"
        if isinstance(found, str) and slot.type in {int, float, bool} and slot.quantity is None
        else ""
    )
    quote = f': put it in quotes, "{shown(found)}"' if slot.type is str and isinstance(found, int | float) else ""
    brackets = (
        f" such as [{shown(found)}]" if get_origin(slot.type) is tuple and isinstance(found, str | int | float) else ""
    )
    return f"found {_with_kind(found)}; {_wanted(slot)}{unquote}{quote}{brackets}"


def _with_kind(found: Any) -> str:
    if isinstance(found, bool):
        return f"{shown(found)} (a boolean)"
    if isinstance(found, int | float):
        return f"{shown(found)} (a number)"
    if isinstance(found, str):
        return f"{shown(found)} (text)"
    return shown(found)


def _wrong_choice(found: Any, slot: Slot) -> str:
    near = nearest(found, [str(choice) for choice in slot.choices]) if isinstance(found, str) else None
    meant = f"; did you mean {shown(near)}?" if near is not None else ";"
    return f"{shown(found)} is not allowed{meant} {_wanted(slot)}"


def _out_of_range(found: Any, slot: Slot) -> str:
    return f"{shown(found)} is out of range; allowed is {_noun(slot)}{_range(slot)}"


def _noun(slot: Slot) -> str:
    return slot.quantity.noun if slot.quantity is not None else "a whole number" if slot.type is int else "a number"


def _too_short(found: Any, slot: Slot) -> str:
    least = slot.bound("min_length")
    what = "is empty" if not found else f"holds {len(found)}"
    return f"{what}; at least {least} {'is' if least == 1 else 'are'} needed"


def _too_long(found: Any, slot: Slot) -> str:
    unit = "characters" if isinstance(found, str) else "items"
    return f"holds {len(found)} {unit}; at most {slot.bound('max_length')} are allowed"


def _empty_text(found: Any, slot: Slot) -> str:
    least = slot.bound("min_length")
    return "is empty; write some text" if least == 1 else f"{shown(found)} is shorter than {least} characters"


def _no_fit(found: Any, slot: Slot) -> str:
    return f"{shown(found)} does not fit here; {_wanted(slot)}"


_WRONG_TYPES = (
    "string_type int_type int_parsing int_from_float bool_type bool_parsing float_type float_parsing tuple_type "
    "list_type dict_type mapping_type model_type model_attributes_type none_required"
)
_BOUNDS = "greater_than greater_than_equal less_than less_than_equal finite_number multiple_of"
_SENTENCES: dict[str, _Sentence] = {
    **dict.fromkeys(_WRONG_TYPES.split(), _wrong_type),
    **dict.fromkeys(_BOUNDS.split(), _out_of_range),
    "literal_error": _wrong_choice,
    "too_short": _too_short,
    "too_long": _too_long,
    "string_too_short": _empty_text,
    "string_too_long": _too_long,
}
