"""The bench's plan for the page: what was typed into its form, worked out as the command ``plan`` does, and kept.

Plans that are kept stand in the folder ``plans`` beside the journal, as batch files for ``start --from``.
"""

from __future__ import annotations

import argparse
import dataclasses
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from monitor.commands.common import quoted
from monitor.commands.plan import (
    advice_of,
    amounts_of,
    cautions_of,
    expected_of,
    sentences_of,
    write_plan,
)
from monitor.commands.plan_expected import Told
from monitor.commands.plan_typed import USUAL_PURITY, Plan, plan_of
from monitor.commands.recipe_args import BEYOND_DOUBT
from monitor.commands.taught import taught_in
from monitor.domain import Recipe, Vessel
from monitor.journal.database import Journal
from monitor.page.plan import AIR, BUCKET, FIELDS, LITRES, NAME, OILS, OPENED, PURITY, SIZE, Known, PlanView, Worked
from monitor.settings import Settings
from monitor.sources.batch_file import BatchFileError, read_batch_file
from monitor.trade.amounts import (
    parse_amount,
    parse_blend,
    parse_oil,
    parse_opened,
    parse_purity,
    parse_temperature_c,
    parse_volume_l,
)
from monitor.trade.cautions import SHORT_CAUTIONS, SHORT_DEFERS, with_emergency_number
from monitor.trade.making import STEPS
from monitor.trade.oils import told_name
from monitor.trade.recipe import lye_balance
from monitor.trade.telling import recipe_warnings
from monitor.words import US, quantity, tr, voice

PLANS = "plans"
_MOST_OILS, _MOST_KNOWN = 12, 40
_MOST_TYPED = {OILS: 600}
_MOST_FIELD, _MOST_NAME = 60, 60


class _Faults(ValueError):
    """What was typed cannot be used: a sentence for each field."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        super().__init__(" ".join(faults.values()))
        self.faults = faults


@dataclasses.dataclass(frozen=True, slots=True)
class _Source:
    """A known recipe, and what of its form is known: ``complete`` where a plan of it was kept for its own bag."""

    recipe: Recipe
    typed: Mapping[str, str]
    path: Path | None = None


class PlanDesk:
    """Over a journal to read and the folder of kept plans."""

    def __init__(
        self, settings: Settings, folder: Path, open_to_read: Callable[[], Journal], now_s: Callable[[], float]
    ) -> None:
        self._settings, self.folder, self._open, self._now_s = settings, folder, open_to_read, now_s
        self._journal: Journal | None = None
        self._lock = threading.Lock()
        # One at a time, however many ask: reckoning takes the watch's own time.
        self._reckoning = threading.Lock()

    def plan(self, name: str, typed: Mapping[str, str]) -> PlanView | None:
        """The form and what comes of it; None for a recipe nobody knows."""
        source = self._source(name) if name else None
        if name and source is None:
            return None
        fields = _fields(typed)
        if not any(fields.values()):
            fields = dict(source.typed) if source is not None else fields
            # A plan that was kept is shown at once; of a batch the bag is still to be read.
            if source is None or source.path is None:
                return self._view(name, fields)
        try:
            _, worked = self._worked(name, source, fields)
        except _Faults as error:
            return dataclasses.replace(self._view(name, fields), faults=error.faults)
        shown_as_kept = source is not None and source.path is not None and fields == source.typed
        kept_as = quoted(str(source.path)) if source is not None and shown_as_kept else ""
        return dataclasses.replace(self._view(name, fields), worked=worked, kept_as=kept_as)

    def keep(self, name: str, typed: Mapping[str, str]) -> PlanView | str:
        """Keep it as a batch file; its name, or the form with what is wrong."""
        source = self._source(name) if name else None
        fields = _fields(typed)
        new = " ".join(typed.get(NAME, "").split())
        view = dataclasses.replace(self._view(name, fields), typed={**fields, NAME: new})
        try:
            plan, worked = self._worked(name, source, fields)
        except _Faults as error:
            return dataclasses.replace(view, faults=error.faults)
        view = dataclasses.replace(view, worked=worked)
        with self._lock:
            if self._is_kept(new, plan, fields[BUCKET]):  # a wet glove presses twice
                return new
            fault = self._fault_of_name(new)
            if fault:
                return dataclasses.replace(view, faults={NAME: fault})
            if not fields[BUCKET]:
                return dataclasses.replace(
                    view, faults={BUCKET: tr("A plan that is kept names its bucket: choose one, then keep it.")}
                )
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
                write_plan(self._path(new), fields[BUCKET], plan)
            except (OSError, BatchFileError) as error:
                reason = error.strerror if isinstance(error, OSError) else str(error)
                says = tr("The plan cannot be kept in {folder}: {reason}.", folder=self.folder, reason=reason)
                return dataclasses.replace(view, faults={NAME: says})
        return new

    def close(self) -> None:
        """Close what was opened."""
        with self._lock:
            if self._journal is not None:
                self._journal.close()
                self._journal = None

    # ---- what is known ----

    def _view(self, name: str, typed: Mapping[str, str]) -> PlanView:
        number = self._settings.site.emergency_number
        bucket = typed.get(BUCKET, "")
        with self._lock:
            running = self._opened().batch_in(bucket) if bucket else None
        return PlanView(
            name=name,
            typed=typed,
            known=self._known() if not name else (),
            buckets=tuple(
                (one.name, "" if one.litres is None else quantity(one.litres, "litres"))
                for one in self._settings.buckets
            ),
            running="" if running is None else bucket,
            handling=tuple(with_emergency_number(text, number) for text in SHORT_CAUTIONS.values()),
        )

    def _known(self) -> tuple[Known, ...]:
        """Plans that were kept, then batches with weighed oils, the newest first."""
        plans = [Known(path.stem, tr("a plan that was kept")) for path in self._paths()]
        names = {one.name for one in plans}
        batches = []
        with self._lock:
            journal = self._opened()
            for record in reversed(journal.batches()):
                recipe = journal.recipe_now(record.batch.name)[0]
                if _weighed(recipe) and record.batch.name not in names:
                    batches.append(Known(record.batch.name, _oils_words(recipe)))
        return (*plans, *batches)[:_MOST_KNOWN]

    def _paths(self) -> list[Path]:
        try:
            return sorted(self.folder.glob("*.toml"), key=lambda path: path.stat().st_mtime, reverse=True)
        except OSError:
            return []

    def _source(self, name: str) -> _Source | None:
        path = next((path for path in self._paths() if path.stem == name), None)
        if path is not None:
            try:
                batch = read_batch_file(path).batch
            except (OSError, ValueError):
                return None
            typed = {
                **_oils_typed(batch.recipe),
                PURITY: "" if batch.recipe.koh_purity is None else f"{100.0 * batch.recipe.koh_purity:g} %",
                BUCKET: batch.bucket,
                LITRES: self._litres_beside(batch.bucket, batch.vessel),
            }
            return _Source(batch.recipe, _fields(typed), path)
        with self._lock:
            journal = self._opened()
            record = journal.batch(name)
            if record is None:
                return None
            recipe, vessel = journal.recipe_now(name)
        if not _weighed(recipe):
            return None
        # In the bucket of a batch that still runs the next one cannot be made.
        bucket = record.batch.bucket if record.ended_s is not None else ""
        typed = {**_oils_typed(recipe), BUCKET: bucket}
        if bucket:
            typed[LITRES] = self._litres_beside(bucket, vessel)
        return _Source(recipe, _fields(typed))

    def _litres_beside(self, bucket: str, vessel: Vessel) -> str:
        """The litres as they are typed: nothing where the settings say the same, so that another bucket counts."""
        same = vessel.litres is None or vessel.litres == self._settings.bucket(bucket).litres
        return "" if same else f"{vessel.litres:g} L"

    def _opened(self) -> Journal:
        if self._journal is None:
            self._journal = self._open()
        return self._journal

    # ---- what was typed ----

    def _worked(self, name: str, source: _Source | None, fields: Mapping[str, str]) -> tuple[Plan, Worked]:
        """Raises _Faults."""
        args, faults = _arguments(self._settings, fields, self._now_s())
        if faults:
            raise _Faults(faults)
        notes = []
        if source is not None and args.oil and fields[OILS] == source.typed[OILS]:
            _for_this_bag(args, source.recipe)
            if source.path is None:
                notes.append(tr("Potash and water as in {batch}, the potash reckoned for this bag.", batch=name))
        try:
            plan = plan_of(args, self._settings)
            _refuse_lye_heavy(plan)
            with self._lock:
                taught = taught_in(self._opened(), self._settings, self._now_s())
            with self._reckoning:
                plan, told = Told.of(plan, taught)
        except ValueError as error:
            raise _Faults({"": str(error)}) from error
        return plan, _told(plan, told, notes)

    def _path(self, name: str) -> Path:
        return self.folder / f"{name}.toml"

    def _is_kept(self, name: str, plan: Plan, bucket: str) -> bool:
        """Whether the very same plan stands under that name."""
        path = next((path for path in self._paths() if path.stem == name), None)
        if path is None:
            return False
        try:
            there = read_batch_file(path).batch
        except (OSError, ValueError):
            return False
        recipe = dataclasses.replace(plan.recipe, koh_purity=plan.recipe.koh_purity or USUAL_PURITY)
        return (there.bucket, there.recipe, there.vessel) == (bucket, recipe, plan.vessel)

    def _fault_of_name(self, name: str) -> str:
        """What is wrong with the name of a plan, "" where nothing is."""
        if not name:
            return tr("Give the plan a name, like Quillmarsh 12.")
        if len(name) > _MOST_NAME or not name.isprintable() or name[0] in ".-" or set(name) & set('/\\"'):
            return tr(
                "The name is kept as the name of a file: at most {most} characters, no slashes and no quotation marks, "
                "and no full stop or dash first.",
                most=_MOST_NAME,
            )
        if self._path(name).exists():
            return tr("There is a plan {name} already, and it stays as it is: choose another name.", name=name)
        if self._opened().batch(name) is not None:
            return tr("There is a batch {name} already: choose another name.", name=name)
        return ""


def _fields(typed: Mapping[str, str]) -> dict[str, str]:
    """Each field of the form, without what no field holds."""
    fields = {}
    for name in FIELDS:
        text = typed.get(name, "")
        if name == OILS:
            lines = (" ".join(line.split()) for line in text.splitlines())
            text = "\n".join(line for line in lines if line)
        else:
            text = " ".join(text.split())
        fields[name] = text[: _MOST_TYPED.get(name, _MOST_FIELD)]
    return fields


def _arguments(
    settings: Settings, fields: Mapping[str, str], now_s: float
) -> tuple[argparse.Namespace, dict[str, str]]:
    """The form as the command ``plan`` takes it, and a sentence for each field that cannot be used."""
    faults: dict[str, str] = {}

    def read(field: str, parse: Callable[[str], object]) -> str | None:
        if not fields[field]:
            return None
        try:
            parse(fields[field])
        except ValueError as error:
            faults[field] = str(error)
        return fields[field]

    today = settings.local_time(now_s).date()
    args = argparse.Namespace(
        oil=[], koh=None, purity=read(PURITY, parse_purity), water=None, insulation=None, anyway=None, blend=None,
        make=None, fill_bucket=False, have_koh=None, scale=None, strength=None, scale_error=None,
        opened=read(OPENED, lambda text: parse_opened(text, today)), dilute_elsewhere=False,
        bucket=fields[BUCKET] or None, mix=None, hardness=None,
        litres=read(LITRES, lambda text: parse_volume_l(text, tr("the bucket"), default_unit=_litres_unit())),
        air=read(AIR, lambda text: parse_temperature_c(text, tr("the air"))),
    )  # fmt: skip
    if args.purity is None:
        faults[PURITY] = tr("Read the bag: write the purity that is printed on it, like 90 %.")
    # A bare number is in the units of the reader.
    if args.litres is not None and args.litres[-1].isdigit():
        args.litres = f"{args.litres} {_litres_unit()}"
    if args.air is not None and args.air[-1].isdigit() and voice().units == US:
        args.air = f"{args.air} F"
    _read_oils(args, fields[OILS], faults)
    _read_size(args, settings, fields[SIZE], faults)
    return args, faults


def _litres_unit() -> str:
    return "us gal" if voice().units == US else "L"


def _read_oils(args: argparse.Namespace, text: str, faults: dict[str, str]) -> None:
    """Oils as weighed, one a line; or their shares, where a line holds a % or no figure at all."""
    lines = text.splitlines()
    if not lines:
        faults[OILS] = tr("Write at least one oil and how much of it, like sunflower 4.2 kg.")
        return
    if len(lines) > _MOST_OILS:
        faults[OILS] = tr("More than {most} oils are not taken: add up those of one kind.", most=_MOST_OILS)
        return
    try:
        if "%" in text or not any(sign.isdigit() for sign in text):
            args.blend = ", ".join(lines)
            parse_blend(args.blend)
        else:
            args.oil = lines
            for line in lines:
                parse_oil(line)
    except ValueError as error:
        faults[OILS] = str(error)


def _read_size(args: argparse.Namespace, settings: Settings, text: str, faults: dict[str, str]) -> None:
    """So many litres of soap, or so much potash at hand, or the bucket filled; nothing is as weighed."""
    if not text:
        if args.blend is not None and OILS not in faults:
            faults[SIZE] = tr("Shares alone do not say how much: write how much soap is wanted, like 20 L.")
        return
    if text.lower() in {"bucket", tr("bucket").lower()}:
        args.fill_bucket = True
        if args.litres is None and (args.bucket is None or settings.bucket(args.bucket).litres is None):
            faults[LITRES] = tr("To fill a bucket its size must be known: write it here, like 25 L.")
        return
    try:
        amount = parse_amount(text, tr("the size of the batch"), default_unit=_litres_unit())
    except ValueError as error:
        faults[SIZE] = str(error)
        return
    if amount.litres is not None:
        args.make = f"{amount.litres:.6g} L"
    else:
        args.have_koh = f"{amount.kg:.6g} kg"


def _for_this_bag(args: argparse.Namespace, recipe: Recipe) -> None:
    """Potash and water of a known recipe, the potash as much more or less as this bag is weaker or stronger."""
    if recipe.koh_kg is not None:
        pure_kg = recipe.koh_kg * (recipe.koh_purity or USUAL_PURITY)
        args.koh = f"{pure_kg / parse_purity(args.purity):.4f} kg"
    if recipe.water_kg is not None:
        args.water = f"{recipe.water_kg:.4f} kg"


def _refuse_lye_heavy(plan: Plan) -> None:
    balance = lye_balance(plan.recipe, plan.doubts)
    if balance.probabilities.get("lye-heavy", 0.0) >= BEYOND_DOUBT:
        raise ValueError(
            tr(
                "This recipe is lye-heavy beyond doubt: potash for {low:.0f}% to {high:.0f}% of what the oils need, so "
                "the soap stays caustic however well it reacts. Use at least {spare:grams} less potash.",
                low=100.0 * balance.ratio_low,
                high=100.0 * balance.ratio_high,
                spare=balance.potash_to_spare_g.high,
            )
        )


# ---- what is told --------------------------------------------------------------------------------------------------


def _told(plan: Plan, told: Told, notes: Sequence[str]) -> Worked:
    number = plan.settings.site.emergency_number
    bag = [step.told_text() for step in STEPS if step.step_id in ("bag", "oil")]
    expected = expected_of(plan, told)
    warnings = list(recipe_warnings(plan.recipe))
    return Worked(
        cautions=(
            *bag, *(with_emergency_number(text, number) for text in SHORT_CAUTIONS.values()), tr(SHORT_DEFERS)
        ),
        in_full=tuple(cautions_of(plan)),
        warnings=tuple(warnings),
        amounts=tuple((quantity(kg, "kg", 3), what) for kg, what in amounts_of(plan.recipe)),
        says=(*notes, *(sentence for sentence in sentences_of(plan, told) if sentence not in warnings)),
        table_title=expected.title,
        table=(expected.heading, *expected.rows),
        table_note=expected.note,
        advice=tuple(advice_of(told)),
    )  # fmt: skip


def _weighed(recipe: Recipe) -> bool:
    return bool(recipe.oils) and all(share.kg for share in recipe.oils)


def _oils_typed(recipe: Recipe) -> dict[str, str]:
    return {OILS: "\n".join(f"{share.name} {share.kg:g} kg" for share in recipe.oils)}


def _oils_words(recipe: Recipe) -> str:
    return ", ".join(f"{told_name(share.name)} {quantity(share.kg or 0.0, 'kg')}" for share in recipe.oils)
