"""Reports as PDF, read by pypdf."""

from __future__ import annotations

import io
import sys
from dataclasses import replace
from typing import Any

import pytest
from export_documents import HOSTILE, chart, document, figures, hostile

from orchestrator.adapters.report.document.parts import Column, Document, Section, Sentences, Table
from orchestrator.adapters.report.export.pdf import pdf
from orchestrator.errors import InputError

pypdf = pytest.importorskip("pypdf", reason="it is in the extra [browser]")
pytest.importorskip("typst", reason="it is in the extra [pdf]")


def opened(report: Document) -> Any:
    return pypdf.PdfReader(io.BytesIO(pdf(report)))


def text(reader: Any) -> str:
    """All of it, on one line: where lines end on a page is nobody's matter."""
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def tagged(reader: Any) -> list[Any]:
    """Every element of the structure tree (ISO 32000-1, 14.7.2), with its type and alternative text."""
    found: list[Any] = []

    def walk(node: Any) -> None:
        node = node.get_object()
        if isinstance(node, list):
            for child in node:
                walk(child)
        elif isinstance(node, dict):
            if "/S" in node:
                found.append((node["/S"], node.get("/Alt")))
            if "/K" in node:
                walk(node["/K"])

    walk(reader.trailer["/Root"]["/StructTreeRoot"]["/K"])
    return found


def test_the_answer_is_on_the_first_page_below_the_title() -> None:
    reader = opened(document())
    first = " ".join(reader.pages[0].extract_text().split())
    places = [
        first.index(words) for words in (document().title, document().about, document().answer, "95 % confidence")
    ]
    assert places == sorted(places)


def test_it_is_titled_in_a_language_and_tagged() -> None:
    """PDF/UA-1 (ISO 14289-1), 7.1 and 7.2: title in the metadata and shown, language, tags."""
    reader = opened(document())
    root = reader.trailer["/Root"]
    assert reader.metadata.title == document().title
    assert root["/Lang"] == "en-GB"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert "pdfuaid:part" in root["/Metadata"].get_data().decode()


def test_every_chart_has_its_alternative_text() -> None:
    alternatives = [alternative for kind, alternative in tagged(opened(document())) if kind == "/Figure"]
    assert alternatives == [chart().alternative] * 3


def test_pages_are_a4_and_numbered() -> None:
    rows = tuple(Section(f"s{n}", f"Part {n}", (Sentences((f"Reason {n}.",) * 30),)) for n in range(4))
    reader = opened(document(sections=rows))
    count = len(reader.pages)
    assert count > 2
    for number, page in enumerate(reader.pages, start=1):
        assert [round(float(side) / 72 * 25.4) for side in page.mediabox[2:]] == [210, 297]
        assert f"{number} of {count}" in " ".join(page.extract_text().split())


def test_a_table_over_several_pages_repeats_its_head() -> None:
    long = figures(rows=tuple((f"cell-{n}", *figures().rows[0][1:]) for n in range(120)), marked=frozenset())
    reader = opened(document(sections=(Section("t", "T", (long,)),)))
    assert len(reader.pages) >= 3
    for page in reader.pages:
        assert "operations a second" in page.extract_text()
    said = text(reader)
    assert all(f"cell-{n} " in said for n in range(120))


def test_sentences_in_the_last_column_of_a_wide_table_stand_below_its_rows() -> None:
    columns = tuple(Column(f"c{n}", figures=True) for n in range(9))
    sentence = "about five more blocks of each run would decide it"
    wide = Table("Cells", (*columns, Column("what would decide it")), ((*("1",) * 9, sentence), (*("2",) * 9, "")))
    said = text(opened(document(sections=(Section("t", "T", (wide,)),))))
    assert f"1 1 1 1 1 1 1 1 1 what would decide it: {sentence} 2 2" in said


def test_texts_are_shown_and_never_run() -> None:
    reader = opened(hostile())
    said = text(reader)
    for shown in ("#strong[x] $x^2$ @ref <label>", '#include "/etc/passwd"', "<script>alert(1)</script>", "=cmd|"):
        assert shown in said
    for escaped in (r"\u202e", r"\x1b", r"\n", r"\ud800"):
        assert escaped in said
    kinds = {annotation.get_object()["/Subtype"] for page in reader.pages for annotation in page.get("/Annots", ())}
    assert not kinds, "there is nothing to click on"
    assert "/JavaScript" not in reader.trailer["/Root"].get("/Names", {})


def test_a_text_without_a_blank_stays_on_its_page() -> None:
    """What would run over the edge of the page would not be read; it is broken where a line ends."""
    report = document(title="t", about="a", sections=(Section("s", "S", (Sentences((HOSTILE[-2],)),)),))
    lines = [line for page in opened(report).pages for line in page.extract_text().splitlines() if "xxx" in line]
    assert len(lines) > 20
    assert max(map(len, lines)) < 130


@pytest.mark.parametrize(
    "word",
    [
        "20261129T171920Z-does-the-bookings-database-gain-from-2426",
        "/sys/devices/system/clocksource/clocksource0/current_clocksource",
        "9b195cc553e1ede4ea766a43613d74eea19098e641d19996e3193253067f7f09",
    ],
    ids=["id", "path", "digest"],
)
def test_an_id_a_path_and_a_digest_can_be_copied_as_they_are(word: str) -> None:
    table = Table("What the run was given", (Column("file"), Column("SHA-256")), (("plan.yaml", word),))
    section = Section("given", "Given", (Sentences((f"It was given {word}.",)), table))
    read = "".join(text(opened(replace(document(), sections=(section,)))).split())
    assert read.count(word) == 2


def test_letters_that_typst_does_not_bring_along_do_not_stop_it() -> None:
    report = document(title="予約データベース", answer="予約 database")
    assert opened(report).metadata.title == "予約データベース"


def test_an_empty_report_is_one_page() -> None:
    assert len(opened(Document("run", "t", "a", "No trial has ended yet.", "", "open", (), ())).pages) == 1


def test_the_same_report_gives_the_same_bytes() -> None:
    assert pdf(document()) == pdf(document())


def test_without_typst_one_message_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(InputError, match=r"needs typst.*pip install 'trialbed\[pdf\]'"):
        pdf(replace(document(), sections=()))
