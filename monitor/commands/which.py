"""Which batch is meant: by its name, its batch number, or the bucket it is or was in."""

from __future__ import annotations

from monitor.commands.common import CommandError, meant, open_journal_to_read, shown
from monitor.journal.database import BatchRecord, Journal
from monitor.settings import Settings
from monitor.words import tr


def _none_yet() -> CommandError:
    return CommandError(tr("There is no batch yet: start one first, see emberpail start --help."))


def journal_of_batches(settings: Settings) -> Journal:
    """The journal, to read; CommandError with what to do where there is none yet."""
    journal = open_journal_to_read(settings)
    if journal is None:
        raise _none_yet()
    return journal


def batch_called(journal: Journal, text: str) -> BatchRecord:
    """The batch of that name; else the one that runs in the bucket of that name, or ran there last; else by number.

    Of two with one number the newer one. Capitals do not matter where nothing has the very name.

    CommandError with what is near, or what there is.
    """
    known = journal.batch(text)
    if known is not None:
        return known
    records = journal.batches()
    in_bucket = [record for record in records if record.batch.bucket == text]
    if in_bucket:
        return next((record for record in in_bucket if record.ended_s is None), in_bucket[-1])
    for record in reversed(records):
        number = journal.details(record.batch.name).get("number")
        if text in (number.value if number else "",) or record.batch.name.casefold() == text.strip().casefold():
            return record
    if not records:
        raise _none_yet()
    names = [name for record in records for name in (record.batch.name, record.batch.bucket)]
    newest = ", ".join(record.batch.name for record in records[:-6:-1])
    raise CommandError(
        tr(
            "There is no batch or bucket {text}; the newest are {newest}, all: emberpail batches.{meant}",
            text=shown(text), newest=newest, meant=meant(text, names),
        )
    )  # fmt: skip
