"""Colours, signs and moving panels: what a real terminal gets, and what it does not when it is asked to be plain."""

from __future__ import annotations

import ast
import contextlib
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from fcntl import ioctl
from pathlib import Path

import pytest
from long_night import LAB, PACKAGE, write

from orchestrator.adapters.report.text import ASCII, to_ascii
from orchestrator.cli import cli, invoke

# ECMA-48, 5.4: a control sequence is ESC [, parameters, and a final byte; m selects a rendition (bold, a colour), the
# others move the cursor, erase, or change modes.
SEQUENCE = re.compile(rb"\x1b\[[0-?]*[ -/]*([@-~])")
COLOUR = re.compile(rb"\x1b\[[0-9;]*\b(?:3[0-7]|4[0-7]|9[0-7]|38;[25])[0-9;]*m")


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write(tmp_path, blocks=2, lab=LAB)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def on_a_terminal(place: Path, *arguments: str, width: int = 80, **environment: str) -> bytes:
    """What a command writes to a terminal of that width."""
    ours, theirs = pty.openpty()
    ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, width, 0, 0))
    told = {name: value for name, value in os.environ.items() if name not in {"NO_COLOR", "COLUMNS", "FORCE_COLOR"}}
    told |= {"TERM": "xterm-256color", "PYTHONPATH": f"{PACKAGE}:{os.environ.get('PYTHONPATH', '')}", **environment}
    command = [sys.executable, "-m", "orchestrator", *arguments]
    with subprocess.Popen(command, cwd=place, env=told, stdin=theirs, stdout=theirs, stderr=theirs) as process:
        os.close(theirs)
        seen = bytearray()
        with contextlib.suppress(OSError):  # EIO: nobody has the other end any more
            while part := os.read(ours, 65536):
                seen += part
        process.wait()
    os.close(ours)
    return bytes(seen)


def finals(seen: bytes) -> set[bytes]:
    return set(SEQUENCE.findall(seen))


@pytest.mark.real
def test_a_terminal_has_a_panel_with_colours_and_a_plain_one_lines_of_ascii(place: Path) -> None:
    moving = on_a_terminal(place, "run", "plan.yaml")
    assert {b"m", b"A", b"K"} <= finals(moving), "colours, and a cursor that goes up and erases"
    assert COLOUR.search(moving)
    assert "\N{PLUS-MINUS SIGN}".encode() in moving

    plain = on_a_terminal(place, "run", "plan.yaml", "--plain")
    assert b"\x1b" not in plain
    assert plain.isascii()
    assert b"Z  trial 1/" in plain, "a line an event"
    assert b" +/- " in plain


@pytest.mark.real
def test_a_terminal_that_knows_no_sequences_gets_none(place: Path) -> None:
    seen = on_a_terminal(place, "run", "plan.yaml", TERM="dumb")
    assert b"\x1b" not in seen
    assert b"Z  trial 1/" in seen
    assert "\N{PLUS-MINUS SIGN}".encode() in seen, "which letters it has is told by its locale"


@pytest.mark.real
def test_no_color_takes_colours_away_and_leaves_the_rest(place: Path) -> None:
    """https://no-color.org: any value that is not empty, whatever it is."""
    invoke(["run", "plan.yaml", "--quiet"])
    assert COLOUR.search(on_a_terminal(place, "show", "last", NO_COLOR=""))
    seen = on_a_terminal(place, "show", "last", NO_COLOR="0")
    assert not COLOUR.search(seen)
    assert b"\x1b[1m" in seen, "bold is no colour"
    assert b"\x1b" not in on_a_terminal(place, "no-such-command", NO_COLOR="1"), "what click writes has none either"


def test_a_variable_that_asks_for_colours_makes_a_log_no_terminal(
    place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for variable in ("FORCE_COLOR", "CLICOLOR_FORCE", "TTY_COMPATIBLE"):
        monkeypatch.setenv(variable, "1")
    assert invoke(["run", "plan.yaml"]) in {0, 1}
    text = capsys.readouterr().out
    assert "\x1b" not in text
    assert "Z  trial 1/" in text


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs of three blocks."""
    folder = tmp_path_factory.mktemp("pages")
    write(folder, blocks=3, lab=LAB)
    for _ in range(2):
        invoke(["run", str(folder / "plan.yaml"), "--quiet", "--store", str(folder / "results")])
    return folder / "results"


def pages(store: Path) -> list[list[str]]:
    """Commands that show what is stored."""
    runs = sorted(path.name for path in store.iterdir() if path.is_dir())
    shown = (["list"], ["show", "last", "--explain"], ["show", "last", "1", "--explain"], ["compare", *runs])
    return [[*command, "--store", str(store)] for command in (*shown, ["history", "*"], ["status"])]


@pytest.mark.parametrize(("before", "after", "variable"), [("--plain", "", ""), ("", "--plain", ""), ("", "", "1")])
def test_plain_is_asked_for_before_or_after_the_verb_or_by_a_variable(
    store: Path,
    *,
    before: str,
    after: str,
    variable: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TRIALBED_PLAIN", variable)
    command = [*filter(None, (before, "show", after)), "last", "--store", str(store)]
    assert invoke(command) == 0
    text = capsys.readouterr().out
    assert text.isascii()
    assert " +/- " in text


def figures_are_whole(text: list[str], width: int, store: Path) -> None:
    """No line is too long, and no unit or uncertainty stands apart from its figure."""
    assert not [line for line in text if len(line) > width and str(store) not in line]
    begins = re.compile(r" *(?:%|ms|\xb5s|us|[KMGT]iB|min|\xb1|\+/-)(?: |$|,|\))")
    assert not [line for line in text if begins.match(line) or line.endswith(("\xb1", "+/-"))]


@pytest.mark.parametrize("plain", [True, False])
@pytest.mark.parametrize("width", [80, 100, 140, 200])
def test_pages_fit_any_width_and_break_no_figure(
    store: Path, width: int, plain: bool, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    for command in pages(store):
        capsys.readouterr()
        assert invoke([*(["--plain"] if plain else []), *command]) == 0
        figures_are_whole(capsys.readouterr().out.splitlines(), width, store)


@pytest.mark.real
def test_a_page_is_as_wide_as_its_terminal(store: Path) -> None:
    for width in (80, 140):
        seen = on_a_terminal(store, "show", "last", "--store", str(store), width=width)
        text = [line.rstrip("\r") for line in SEQUENCE.sub(b"", seen).decode().split("\n")]
        figures_are_whole(text, width, store)
        assert max(map(len, text)) > width * 0.9


def test_a_wide_page_has_more_than_a_narrow_one(
    store: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = {}
    for width in ("80", "200"):
        monkeypatch.setenv("COLUMNS", width)
        for command in pages(store)[:4]:
            capsys.readouterr()
            invoke(command)
            shown[width, command[0], len(command)] = capsys.readouterr().out
    narrow, wide = ([page for key, page in shown.items() if key[0] == width] for width in ("80", "200"))
    assert len(wide[0].splitlines()) < len(narrow[0].splitlines())
    assert wide[0].splitlines()[0].split() == ["run", "began", "(UTC)", "trials", "state", "guest", "title"]
    assert re.search(r"^. \w+ +\d{4}-\S+ +\S+ \xb1 .* run/wait/idle % of each vCPU", wide[1], re.MULTILINE)
    assert "run/wait/idle % of each vCPU" in wide[1].partition("Verdict")[2]
    assert " memory " in wide[3]
    assert " memory " not in narrow[3].partition("What else")[0]


def test_plain_is_taken_by_every_command_and_by_each_of_theirs() -> None:
    def commands(command: object, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
        below = getattr(command, "commands", {})
        return [path, *(one for name, each in below.items() for one in commands(each, (*path, name)))]

    found = commands(cli)
    assert len(found) > 25
    for path in found:
        assert invoke([*path, "--plain", "--help"]) == 0, path


def test_a_wrong_value_of_the_variable_is_told(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TRIALBED_PLAIN", "perhaps")
    assert invoke(["list"]) == 2
    assert "perhaps" in capsys.readouterr().err


def test_letters_of_other_languages_stay_and_our_signs_are_ascii(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path, blocks=2, lab=LAB)
    plan = Path("plan.yaml")
    title = "Genügt der Fähre eine vCPU? 東京"
    plan.write_text(re.sub(r"title: .*", f"title: {title}", plan.read_text("utf-8")), "utf-8")
    invoke(["--plain", "run", "plan.yaml", "--quiet"])
    capsys.readouterr()
    invoke(["--plain", "show", "last"])
    text = capsys.readouterr().out
    assert title in text
    assert text.replace(title, "").isascii()
    assert " +/- " in text


def test_every_sign_that_is_written_has_its_ascii() -> None:
    """Whatever stands in a text of this program beyond ASCII, in what makes pages for a terminal."""
    places = ("core", "engine", "adapters/report")
    files = [path for place in places[:2] for path in (PACKAGE / "orchestrator" / place).rglob("*.py")]
    files += (PACKAGE / "orchestrator" / places[2]).glob("*.py")
    assert len(files) > 100
    for path in files:
        tree = ast.parse(path.read_text("utf-8"))
        docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
                assert to_ascii(node.value.replace("°?C", "")).isascii() or path.name == "text.py", (path, node.value)
    assert all(sign.isascii() for sign in ASCII.values())
