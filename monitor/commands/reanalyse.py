"""``reanalyse``: every recording of a folder through today's judgement, one row for each in a table."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands import NO, YES
from monitor.commands.common import CommandError, parser_for, say, settings_of, shown
from monitor.commands.tables import write_rows, write_whole
from monitor.words import localised, tr, trn

if TYPE_CHECKING:
    from monitor.reanalysis import Reanalysed, Row

_MOST_WORKERS = 256


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "reanalyse", tr("put every recording of a folder through today's judgement"),
        "emberpail reanalyse recordings --out results.csv --workers 2",
        description=tr(
            "Replay every recording in a folder, and those below it, with today's judgement and write one row a batch: "
            "verdict, peak, completeness with its range, alarms. A recording that cannot be judged is a row that says "
            "why. A run that was stopped goes on where it was. Exit code 1 where a recording could not be judged."
        ),
    )  # fmt: skip
    parser.add_argument("folder", metavar="DIR", type=Path, help=tr("the folder with NAME.rec and NAME.toml"))
    parser.add_argument(
        "--out", metavar="FILE", type=Path, required=True, help=tr("the table: results.csv or results.parquet")
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--workers", metavar="N", type=int, default=1,
        help=tr("processes on this machine (1); more need the extra fleet"),
    )  # fmt: skip
    where.add_argument(
        "--scheduler", metavar="ADDRESS", default="",
        help=tr("the Dask scheduler of several machines, such as tcp://shed.local:8786"),
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Judge, write the table, and say what was found."""
    from monitor.reanalysis import reanalyse, recordings_in, rules_of

    settings = settings_of(args)
    if not args.folder.is_dir():
        raise CommandError(
            tr("There is no folder {path}: name one with recordings (.rec).", path=shown(str(args.folder)))
        )
    if args.out.suffix not in (".csv", ".parquet"):
        raise CommandError(tr("The table's name must end in .csv or .parquet: {path}.", path=shown(str(args.out))))
    if not 1 <= args.workers <= _MOST_WORKERS:
        raise CommandError(tr("--workers {n} is out of range: 1 to {most}.", n=args.workers, most=_MOST_WORKERS))
    if args.out.suffix == ".parquet":
        _parquet()
    recordings = recordings_in(args.folder)
    if not recordings:
        raise CommandError(tr("There is no recording (.rec) in {path}.", path=shown(str(args.folder))))
    kept = args.out.with_name(args.out.name + ".rows")
    done = reanalyse(
        recordings, rules_of(settings), kept, folder=args.folder, workers=args.workers, scheduler=args.scheduler,
        progress=_show if sys.stderr.isatty() else lambda _done, _all: None,
    )  # fmt: skip
    write_table(done.rows, args.out)
    kept.unlink(missing_ok=True)
    _tell(done, args.out)
    return NO if done.damaged else YES


def _show(done: int, of: int) -> None:
    print(f"\r{done}/{of}", end="\n" if done == of else "", file=sys.stderr, flush=True)


def _tell(done: Reanalysed, out: Path) -> None:
    count = len(done.rows)
    say(trn("{figure} recording was judged: {path}.", "{figure} recordings were judged: {path}.", count,
            figure=localised(f"{count:,}"), path=out))  # fmt: skip
    if done.kept:
        say(trn("{n} of them stood there from a run that was stopped.",
                "{n} of them stood there from a run that was stopped.", done.kept))  # fmt: skip
    kinds = Counter(kind for row in done.rows for kind in row.alarms.split())
    for kind, times in sorted(kinds.items(), key=lambda one: (-one[1], one[0])):
        say(trn("{kind}: {n} batch.", "{kind}: {n} batches.", times, kind=kind), "  ")
    if done.damaged:
        say(trn("{n} could not be judged; its row says why.", "{n} could not be judged; their rows say why.",
                done.damaged))  # fmt: skip


def write_table(rows: tuple[Row, ...], out: Path) -> None:
    """Write the rows whole or not at all."""
    from monitor.reanalysis import as_values, columns

    values = as_values(rows)
    if out.suffix == ".parquet":
        arrow, parquet = _parquet()
        kinds = {"int": arrow.int64(), "str": arrow.string()}
        schema = arrow.schema([(name, kinds.get(kind, arrow.float64())) for name, kind in columns().items()])
        write_whole(out, lambda half: parquet.write_table(arrow.Table.from_pylist(values, schema=schema), half))
    else:
        write_whole(out, lambda half: write_rows(half, tuple(columns()), values))


def _parquet() -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise CommandError(
            tr("Parquet needs the extra fleet: ./emberpail add fleet, or name a .csv file.")
        ) from None
    return pyarrow, pyarrow.parquet
