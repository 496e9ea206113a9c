"""Batches with what is shown and searched of their records: for the command ``batches`` and the page's list."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.commands.record_view import OUTCOMES, number_of
from monitor.domain import Recipe
from monitor.journal.database import BatchRecord, Journal
from monitor.trade.record import those_that_stand, told_value
from monitor.words import tr


@dataclass(frozen=True, slots=True)
class Found:
    """A batch with what is shown and searched of its record."""

    record: BatchRecord
    number: str
    recipe: Recipe
    details: dict[str, str]
    texts: tuple[str, ...]

    @property
    def outcome(self) -> str:
        return "running" if self.record.ended_s is None else self.record.outcome

    def outcome_words(self) -> str:
        """How it ended, or that it runs, as told."""
        kept = "" if self.record.ended_s is None else self.record.outcome
        return tr(OUTCOMES[kept]) if kept in OUTCOMES else kept

    def yield_words(self) -> str:
        """What came of it, as told; "" where nobody noted it."""
        noted = next((field for field in ("yield_litres", "yield_kg") if field in self.details), None)
        return "" if noted is None else told_value(noted, self.details[noted])


def found_in(journal: Journal, record: BatchRecord) -> Found:
    """A batch of the journal with its record."""
    batch = record.batch
    recipe, _ = journal.recipe_now(batch.name)
    details = {field: detail.value for field, detail in journal.details(batch.name).items()}
    remarks = those_that_stand(
        detail.value for detail in journal.detail_history(batch.name) if detail.field == "remark"
    )
    log = [logged for logged in journal.log(batch.name) if logged.undone_at_s is None]
    texts = (
        batch.name, batch.bucket, *(share.name for share in recipe.oils), *details.values(), *remarks,
        *(photo.caption for photo in journal.photos(batch.name)),
        *(part for logged in log for part in (logged.entry.kind, logged.entry.text, logged.who)),
    )  # fmt: skip
    return Found(record, number_of(journal, batch.name), recipe, details, texts)


def holds(word: str, texts: Iterable[str]) -> bool:
    """Whether any of the texts has the word in it, in capitals or not."""
    return any(word.casefold() in text.casefold() for text in texts)
