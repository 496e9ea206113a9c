"""What the page of a plan shows, as plain values, and what stands behind it. The wiring fills them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

# The fields of the form, in their order; each is asked for in one query.
OILS, PURITY, OPENED, SIZE, BUCKET, LITRES, AIR = "oils", "purity", "opened", "size", "bucket", "litres", "air"
FIELDS = (OILS, PURITY, OPENED, SIZE, BUCKET, LITRES, AIR)
NAME = "name"


@dataclass(frozen=True, slots=True)
class Known:
    """A recipe to plan from: a plan that was kept, or a batch that was made."""

    name: str
    what: str


@dataclass(frozen=True, slots=True)
class Worked:
    """A plan that was worked out, its texts told; ``cautions`` stand before ``amounts``: (mass, of what).

    ``cautions`` are one line each for a phone, ``in_full`` the same in full; ``table`` begins with its heading.
    """

    cautions: tuple[str, ...]
    in_full: tuple[str, ...]
    warnings: tuple[str, ...]
    amounts: tuple[tuple[str, str], ...]
    says: tuple[str, ...]
    table_title: str
    table: tuple[tuple[str, ...], ...]
    table_note: str
    advice: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlanView:
    """The form as it stands and what came of it.

    name      of the known recipe it is planned from, "" for none
    typed     what stands in each field
    faults    one sentence for each field that cannot be used; under "" what is wrong with the whole
    buckets   (name, what is known of it) to choose from
    running   the bucket chosen, where a batch runs in it
    kept_as   the file of a plan that is kept
    """

    name: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: Mapping[str, str] = field(default_factory=dict)
    known: tuple[Known, ...] = ()
    buckets: tuple[tuple[str, str], ...] = ()
    worked: Worked | None = None
    running: str = ""
    kept_as: str = ""
    handling: tuple[str, ...] = ()


class Desk(Protocol):
    """Every method may be called from any thread."""

    def plan(self, name: str, typed: Mapping[str, str]) -> PlanView | None:
        """The form of a known recipe ("" for none) and, where something was typed, what comes of it.

        None for a recipe nobody knows.
        """

    def keep(self, name: str, typed: Mapping[str, str]) -> PlanView | str:
        """Keep the plan under the name typed: the name under which it stands, or the form with what is wrong."""
