"""What the core and the engine may import and call: an allow-list, since a deny-list forgets what nobody thought of."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import orchestrator

PACKAGE = Path(orchestrator.__file__).parent

CORE_MAY_IMPORT = {
    "__future__", "bisect", "collections", "dataclasses", "difflib", "enum", "fractions", "functools", "hashlib",
    "itertools", "math", "numpy", "operator", "orchestrator", "pydantic", "pydantic_core", "re", "scipy", "statistics",
    "types", "typing", "warnings",
}  # fmt: skip
ENGINE_MAY_IMPORT = CORE_MAY_IMPORT | {"contextlib", "tenacity", "traceback"}
MAY_NOT_CALL = {"open", "print", "input", "exec", "eval", "compile", "__import__", "breakpoint", "globals"}
MAY_NOT_NAME = {"numpy.random", "random", "now", "today", "utcnow", "default_rng", "environ", "import_module"}


def sources(*folders: str) -> list[Path]:
    """Every module below the folders."""
    found = [path for folder in folders for path in sorted((PACKAGE / folder).rglob("*.py"))]
    assert len(found) > 5, "the folders were not found, so nothing would be checked"
    return found


def imports(tree: ast.AST) -> Iterator[str]:
    """Top-level names of everything imported, at module level and inside functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute here"
            yield (node.module or "").split(".")[0]


def violations(source: str, allowed: set[str]) -> list[str]:
    """What a module does that it may not."""
    tree = ast.parse(source)
    found = [f"imports {name}" for name in imports(tree) if name not in allowed]
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in MAY_NOT_CALL:
            found.append(f"calls {node.func.id}")
        if isinstance(node, ast.ImportFrom) and node.module in {"numpy", "numpy.random"}:
            found += [f"imports numpy's {a.name}" for a in node.names if a.name in MAY_NOT_NAME]
        if (
            isinstance(node, ast.Attribute)
            and node.attr in MAY_NOT_NAME
            and _root(node) in {"np", "numpy", "datetime", "os", "date"}
        ):
            found.append(f"reaches {_root(node)}.{node.attr}")
    return found


def _root(node: ast.Attribute) -> str:
    inner: ast.expr = node
    while isinstance(inner, ast.Attribute):
        inner = inner.value
    return inner.id if isinstance(inner, ast.Name) else ""


@pytest.mark.parametrize("path", sources("core"), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_the_core_is_pure(path: Path) -> None:
    assert violations(path.read_text(), CORE_MAY_IMPORT) == []


@pytest.mark.parametrize("path", sources("engine"), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_the_engine_reaches_the_world_only_through_ports(path: Path) -> None:
    assert violations(path.read_text(), ENGINE_MAY_IMPORT) == []


@pytest.mark.parametrize(
    "sabotage",
    [
        "import time",
        "def f():\n    import paramiko",
        "from numpy import random",
        "import numpy as np\nx = np.random.default_rng()",
        "def f():\n    return open('x')",
        "from pathlib import Path",
        "def f():\n    print('hello')",
    ],
)
def test_a_sabotaged_module_would_be_caught(sabotage: str) -> None:
    assert violations(sabotage, CORE_MAY_IMPORT) != []


def test_only_the_clock_adapter_and_programs_of_their_own_read_time() -> None:
    # Programs that run in a process of their own (in the guest, or the process guest's child) have no clock handed in.
    own_programs = (
        "workloads/",
        "hypervisors/here/",
        "hypervisors/command/example/",
        "adapters/samplers/python_program",
    )
    readers = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if "time" in set(imports(ast.parse(path.read_text())))
    }
    assert {r for r in readers if not r.startswith(own_programs)} == {"adapters/clock.py"}


def test_no_module_is_past_the_house_limit() -> None:
    long = {
        p.relative_to(PACKAGE).as_posix(): n
        for p in PACKAGE.rglob("*.py")
        if (n := len(p.read_text().splitlines())) > 400
    }
    assert long == {}
