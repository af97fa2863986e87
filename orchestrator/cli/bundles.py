"""The verbs about bundles: pack, unpack, open."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from orchestrator.cli import completing
from orchestrator.cli.output import json_option, per_option, show_json, show_text, store_option, store_words
from orchestrator.cli.pages import Page

if TYPE_CHECKING:
    from orchestrator.adapters.bundle.reading import Bundle
    from orchestrator.adapters.report.bundle_text import Archive

_bundle = click.argument(
    "bundle", metavar="BUNDLE.zip", type=click.Path(path_type=Path), shell_complete=completing.bundles
)


@click.command(cls=Page, short_help="Put a run into one archive for somebody else.")
@click.argument("run_id", metavar="RUN", shell_complete=completing.runs)
@click.option(
    "-o",
    "--output",
    metavar="FILE.zip",
    type=click.Path(path_type=Path),
    help="The archive, or a folder for it; RUN.zip in the current folder when left out.",
)
@click.option("--anonymise", is_flag=True, help="Replace names of hosts, guests, users, keys, and addresses.")
@click.option("--replace", "replacing", is_flag=True, help="Write over an archive that is there.")
@store_option
@json_option
def pack(run_id: str, output: Path | None, *, anonymise: bool, replacing: bool, store: str, as_json: bool) -> int:
    """Put RUN into one archive: plan, lab, order and seed, workload files, environment, all data, and the verdict.

    The run has ended, and no file of it is damaged. The archive is a bag (BagIt, RFC 8493) with RO-Crate 1.1 metadata,
    in a zip file. The same run gives the same bytes. How guests were defined before the run, and what does not count,
    is not packed.

    With --anonymise names are replaced, the same by the same everywhere, and digests made anew. What a guest runs is
    never changed: a name in there is refused, with its place.

    Operands:
      RUN  A run's id, the beginning of one, `last`, or the path of its folder.

    Examples:
      trialbed pack last
      trialbed pack last --anonymise -o ferry-bookings.zip

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed open, trialbed unpack, trialbed repeat, trialbed verify
    """
    from orchestrator.adapters.report.bundle_text import packed_json, render_packed
    from orchestrator.wiring.packing import pack_run

    done = pack_run(run_id, store, output, anonymise=anonymise, replacing=replacing)
    if as_json:
        show_json(packed_json(done.run, _archive(done.path, done.bundle), done.remarks))
    else:
        show_text(render_packed(done.run, _archive(done.path, done.bundle), done.remarks))
    return 0


@click.command(cls=Page, short_help="Put the run of a bundle into the store.")
@_bundle
@store_option
@json_option
def unpack(bundle: Path, store: str, as_json: bool) -> int:
    """Put the run of BUNDLE.zip into the store, under its own id. Every digest is checked before.

    Where the same run is there already, nothing is done; another run of its id is never written over.

    Operands:
      BUNDLE.zip  What `trialbed pack` made.

    Examples:
      trialbed unpack ferry-bookings.zip
      trialbed unpack ferry-bookings.zip --store /srv/results --json

    Exit status:
      0  The run is in the store.
      2  It is no bundle, damaged, made to do harm, or its id is taken.

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed open, trialbed repeat
    """
    from orchestrator.adapters.report.bundle_text import render_unpacked, unpacked_json
    from orchestrator.wiring.bundles import unpack as unpack_bundle

    done = unpack_bundle(bundle, store)
    if as_json:
        show_json(unpacked_json(done.run, _archive(bundle, done.bundle), copied=done.copied))
    else:
        show_text(render_unpacked(done.run, store_words(store), copied=done.copied))
    return 0


@click.command("open", cls=Page, short_help="Look at a bundle without unpacking it.")
@_bundle
@per_option
@json_option
def open_bundle(bundle: Path, per: str, as_json: bool) -> int:
    """Check every digest of BUNDLE.zip, and show what it would run, its run, and the verdict. Nothing is kept.

    Operands:
      BUNDLE.zip  What `trialbed pack` made.

    Examples:
      trialbed open ferry-bookings.zip
      trialbed open ferry-bookings.zip --json

    Exit status:
      0  Nothing is wrong with it.
      2  It is no bundle, damaged, or made to do harm.

    Related commands:
      trialbed unpack, trialbed repeat
    """
    from orchestrator.adapters.report.bundle_text import bundle_json, render_bundle
    from orchestrator.adapters.report.json_out import run_json
    from orchestrator.adapters.report.run_text import render_run
    from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
    from orchestrator.wiring.bundles import built_in_files, look

    found, view = look(bundle, per)
    if as_json:
        run = run_json(view.run, view.environment, view.problems) | {"verdict": verdict_json(view.verdict, view.time)}
        show_json(bundle_json(_archive(bundle, found), run))
        return 0
    show_text(render_bundle(_archive(bundle, found), found.record, built_in_files()))
    kind = view.run.record.guest_kind
    verdict = render_verdict(view.verdict, per=per, guest_kind=kind, title="Verdict", time=view.time)
    show_text(render_run(view.run, verdict, view.environment, view.problems, in_bundle=True))
    return 0


def _archive(path: Path, bundle: Bundle) -> Archive:
    from orchestrator.adapters.report.bundle_text import Archive

    return Archive(path, bundle.sha256, bundle.files, bundle.size_bytes, bundle.packed_by, bundle.anonymised)
