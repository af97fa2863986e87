"""Words in braces that stand for facts of a guest or a shape, filled in argument by argument, never through a shell."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from orchestrator.core.design.declared import Finding
from orchestrator.core.design.shape import Shape
from orchestrator.core.design.wording import unknown

#: Known for every command.
GUEST = ("domain",)
#: Known where a shape is given to the guest.
SHAPE = (*GUEST, "vcpus", "memory-mib", "memory-bytes")
#: Known in the arguments for one optional feature of a shape only, since other shapes have no value for them.
OF_FEATURE = {
    "topology": ("sockets", "cores", "threads"),
    "quota": ("quota-percent",),
    "shares": ("shares",),
    "pin": ("pin",),
    "live": (),
}

_WORD = re.compile(r"\{([A-Za-z][A-Za-z0-9_-]*)\}")


def findings(argv: Sequence[str], known: Sequence[str]) -> list[Finding]:
    """What is wrong with the placeholders of a command, each at the position of its argument."""
    return [
        Finding((position,), _complaint(word, known))
        for position, argument in enumerate(argv)
        for word in dict.fromkeys(_WORD.findall(argument))
        if word not in known
    ]


def _complaint(word: str, known: Sequence[str]) -> str:
    for feature, words in OF_FEATURE.items():
        if word in words:
            return (
                f"{{{word}}} has no value here, since not every shape sets {feature}; put it under reshape: {feature}"
            )
    if word in SHAPE:
        return f"{{{word}}} has no value here; it belongs to a shape, so it is known under reshape and plug only"
    return (
        f"{unknown('placeholder', word, known)}; text that holds braces of its own belongs into a script that is called"
    )


def fill(argv: Sequence[str], values: Mapping[str, str]) -> list[str]:
    """The command with every placeholder replaced; what a value holds is not looked at again.

    Raises:
        KeyError: for a placeholder without a value (:func:`findings` would have found it).
    """
    return [_WORD.sub(lambda match: values[match[1]], argument) for argument in argv]


def values_of(shape: Shape) -> dict[str, str]:
    """What the placeholders of a shape stand for; those of features that it does not set are missing."""
    values = {
        "vcpus": str(shape.vcpus),
        "memory-mib": f"{shape.memory / 2**20:.15g}",
        "memory-bytes": str(shape.memory),
    }
    if (topology := shape.topology) is not None:
        values |= {part: str(getattr(topology, part)) for part in OF_FEATURE["topology"]}
    if shape.quota is not None:
        values["quota-percent"] = f"{shape.quota * 100:.10g}"
    if shape.shares is not None:
        values["shares"] = str(shape.shares)
    if shape.pin is not None:
        values["pin"] = ",".join(map(str, shape.pin))
    return values
