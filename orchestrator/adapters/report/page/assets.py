"""What a page is dressed with: its style sheet, its script, the library that draws; and what a browser is to allow."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

from orchestrator.adapters.report.charts import compiled, palette

#: Files of the script, joined in this order.
SCRIPTS = ("drawing", "marks", "reading", "page")


@cache
def stylesheet() -> str:
    """The style sheet, the palette's colours first."""
    return f"{palette.css()}\n{_text('style.css')}"


@cache
def script() -> str:
    """The script that draws charts and answers keys and buttons; it expects :func:`library` to have run."""
    texts = "\n".join(_text(f"script/{name}.js") for name in SCRIPTS)
    return f'"use strict";\n\n(() => {{\n\n{texts}\n}})();\n'


def library() -> str:
    """The library that draws charts."""
    return compiled.javascript()


def policy(scripts: tuple[str, ...], styles: tuple[str, ...]) -> str:
    """A content security policy that allows these texts inline, and nothing else: no request, frame, form or base.

    Args:
        scripts: texts of script elements, exactly as they stand in the page.
        styles: texts of style elements, likewise.

    Returns:
        The policy in the words of CSP Level 3 (W3C).
    """
    rules = (
        ("default-src", "'none'"),
        ("script-src", _sources(scripts)),
        ("style-src", _sources(styles)),
        ("img-src", "data:"),  # an empty icon, so that no browser asks for one
        ("base-uri", "'none'"),
        ("form-action", "'none'"),
    )
    return "; ".join(f"{name} {sources}" for name, sources in rules)


def _sources(texts: tuple[str, ...]) -> str:
    digests = (base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts)
    return " ".join(f"'sha256-{digest}'" for digest in digests)


def _text(name: str) -> str:
    return files(__package__).joinpath(name).read_text(encoding="utf-8")
