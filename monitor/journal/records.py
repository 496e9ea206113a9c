"""The record of a batch beside its log: details by field, photographs, and the recipe as corrected.

Nothing here is ever overwritten. A correction is a new row; of a field the one written last is what stands, whatever
the clock said, and the older ones tell what was believed before.
"""

from __future__ import annotations

import dataclasses
from typing import Any

from monitor.domain import Recipe, Vessel
from monitor.journal import codec
from monitor.journal.rows import Amendment, Detail, Photo
from monitor.journal.store import Refused, Store
from monitor.words import tr

_DETAIL = "batch, field, value, noted_at_s, who, detail_id"
_PHOTO = "batch, path, sha256, caption, at_s, noted_at_s, who, photo_id, undone_at_s"
AMENDMENT = "batch, recipe, vessel, noted_at_s, who, amendment_id"


class Records(Store):
    """The tables details, photos and amendments."""

    # ---- details ----

    def add_detail(self, batch: str, field: str, value: str, noted_at_s: float, who: str = "") -> Detail:
        """Note ``value`` for ``field`` ("" takes the field back); return it with its id.

        The same again changes nothing. Refused when there is no such batch.
        """
        detail = Detail(batch, field, value, noted_at_s, who)
        detail = dataclasses.replace(
            detail, detail_id=codec.record_id_for("detail", batch, field, value, noted_at_s, who)
        )
        with self.transaction():
            self._must_know(batch)
            self._run(
                f"INSERT INTO details ({_DETAIL}) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (detail_id) DO NOTHING",
                dataclasses.astuple(detail),
            )
        return detail

    def details(self, batch: str) -> dict[str, Detail]:
        """What stands of a batch, by field; fields that were taken back are missing."""
        newest = {detail.field: detail for detail in self.detail_history(batch)}
        return {field: detail for field, detail in newest.items() if detail.value}

    def detail_history(self, batch: str) -> list[Detail]:
        """Every detail that was ever noted of a batch, in the order it was written."""
        rows = self._rows(f"SELECT {_DETAIL} FROM details WHERE batch = ? ORDER BY rowid", (batch,))
        return [Detail(*row) for row in rows]

    # ---- photographs ----

    def add_photo(self, photo: Photo) -> Photo:
        """Note a photograph by its file and hash; return it with its id. The same again changes nothing."""
        photo_id = photo.photo_id or codec.record_id_for(
            "photo", photo.batch, photo.sha256, photo.caption, photo.at_s, photo.noted_at_s
        )
        photo = dataclasses.replace(photo, photo_id=photo_id)
        with self.transaction():
            self._must_know(photo.batch)
            self._run(
                f"INSERT INTO photos ({_PHOTO}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (photo_id) DO NOTHING",
                dataclasses.astuple(photo),
            )
        return photo

    def undo_photo(self, photo_id: str, now_s: float) -> None:
        """Take a photograph off the record; its file stays where it is, and so does the row."""
        with self.transaction():
            self._run("UPDATE photos SET undone_at_s = ? WHERE photo_id = ? AND undone_at_s IS NULL", (now_s, photo_id))

    def photos(self, batch: str, *, with_undone: bool = False) -> list[Photo]:
        """The photographs of a batch, in the order they were taken."""
        rows = self._rows(
            f"SELECT {_PHOTO} FROM photos WHERE batch = ? AND (? OR undone_at_s IS NULL) ORDER BY at_s, rowid",
            (batch, int(with_undone)),
        )
        return [Photo(*row) for row in rows]

    # ---- the recipe as corrected ----

    def amend_batch(
        self, batch: str, recipe: Recipe, vessel: Vessel, noted_at_s: float, who: str = ""
    ) -> Amendment:
        """Note that ``batch`` was made so, whatever was entered before; the same again changes nothing."""
        written = codec.recipe_text(recipe), codec.vessel_text(vessel)
        amendment_id = codec.record_id_for("amendment", batch, *written, noted_at_s)
        with self.transaction():
            self._must_know(batch)
            added = self._run(
                f"INSERT INTO amendments ({AMENDMENT}) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (amendment_id) DO NOTHING",
                (batch, *written, noted_at_s, who, amendment_id),
            ).rowcount
            if added:
                self._note_change("batch-amended", amendment_id)
        return Amendment(batch, recipe, vessel, noted_at_s, who, amendment_id)

    def amendments(self, batch: str) -> list[Amendment]:
        """Every correction of a batch's recipe, in the order it was noted."""
        rows = self._rows(f"SELECT {AMENDMENT} FROM amendments WHERE batch = ? ORDER BY noted_at_s, rowid", (batch,))
        return [amendment_from(row) for row in rows]

    def recipe_now(self, batch: str) -> tuple[Recipe, Vessel]:
        """Recipe and vessel as they are known now: as entered, or as last corrected. Refused for an unknown batch."""
        corrected = self.amendments(batch)
        if corrected:
            return corrected[-1].recipe, corrected[-1].vessel
        row = self._row("SELECT recipe, vessel FROM batches WHERE name = ?", (batch,))
        if row is None:
            raise self._unknown(batch)
        return codec.recipe_from(row[0]), codec.vessel_from(row[1])

    # ---- inside ----

    def _note_change(self, what: str, key: str) -> None:
        self._run("INSERT OR IGNORE INTO changes (what, id) VALUES (?, ?)", (what, key))

    def _must_know(self, batch: str) -> None:
        if self._row("SELECT 1 FROM batches WHERE name = ?", (batch,)) is None:
            raise self._unknown(batch)

    @staticmethod
    def _unknown(batch: str) -> Refused:
        return Refused(tr('There is no batch "{batch}"; see "emberpail status" for the names.', batch=batch))


def amendment_from(row: Any) -> Amendment:
    """An amendment from its row, in the order of AMENDMENT."""
    batch, recipe, vessel, noted_at_s, who, amendment_id = row
    return Amendment(batch, codec.recipe_from(recipe), codec.vessel_from(vessel), noted_at_s, who, amendment_id)
