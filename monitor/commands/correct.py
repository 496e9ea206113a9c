"""``correct``: a titration read, and what to do with a batch that did not work."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
    now_s,
    one_line,
    open_journal,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
    warn,
)
from monitor.commands.prompts import ask, can_ask
from monitor.commands.recipe_args import add_recipe, ask_recipe, recipe_of, vessel_of
from monitor.commands.which import batch_called, journal_of_batches
from monitor.domain import LogEntry, Recipe, Vessel
from monitor.journal.database import BatchRecord, Journal
from monitor.settings import Settings
from monitor.trade.amounts import parse_mass_kg, parse_temperature_c, parse_water_kg
from monitor.trade.correction import CAUSE_WORDS, CAUSES, Correction, Mass, correct, mass_now, percent_span
from monitor.trade.filled import fill_in
from monitor.trade.making import CAUTIONS, DEFERS, caution, caution_keys_for
from monitor.trade.record import read_field
from monitor.trade.telling import assumed_words
from monitor.trade.titration import (
    METHOD_WORDS,
    METHODS,
    NOT_IN_WATER,
    USUAL_ERRORS,
    BackTitre,
    Errors,
    Share,
    Titre,
    carbonate,
    free_alkali,
    free_oil,
    parse_aliquot,
    parse_percent,
    parse_sample_g,
    parse_strength_mol_l,
    parse_volume_ml,
)
from monitor.trade.watered import watered
from monitor.words import tr

# What a laboratory's figure is good for, one sd: relative and in per cent of the sample (judgement).
_LAB_REL_SD, _LAB_ALKALI_SD, _LAB_OIL_SD = 0.05, 0.01, 0.2
# A reading older than this says nothing of the paste as it is now.
_FRESH_S = 600.0
# Options that tell of a titration; one of them given, all that it needs must be.
_ALKALI = ("method", "acid", "used", "sample")
_BACK = ("oil_blank", "oil_used", "oil_sample")


@dataclass(frozen=True, slots=True)
class _Batch:
    """The batch that is to be corrected: from the journal, or as typed."""

    recipe: Recipe
    vessel: Vessel
    water_added_kg: float
    cause: str
    temperature_c: float | None
    record: BatchRecord | None


@dataclass(frozen=True, slots=True)
class _Measured:
    """What was measured of it; None where nobody did."""

    alkali: Share | None = None
    method: str = ""
    oil: Share | None = None
    carbonate: Share | None = None


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "correct", tr("what to do with a batch that did not work, by a titration"),
        "emberpail correct shed-2 --method barium-chloride --acid 0.1mol/L --used 4.2mL --sample 5.0g",
        description=tr(
            "Free alkali and free oil from a titration, each with its range, and what to do: blend again, keep it "
            "warm, add oil or potash by halves, or give it up. Takes the recipe from the batch, or as typed. At a "
            "terminal it asks for what was left out."
        ),
    )  # fmt: skip
    parser.add_argument("batch", nargs="?", metavar=tr("BATCH"), help=tr("the bucket, or the batch in it"))
    millilitres, grams, share, strength = tr("VOLUME"), tr("MASS"), tr("SHARE"), tr("STRENGTH")
    parser.add_argument(
        "--method", choices=METHODS,
        help=tr("alcohol: in neutralised alcohol; barium-chloride; total: boiled with too much acid, titrated back"),
    )  # fmt: skip
    for option, metavar, help_line in (
        ("--acid", strength, tr("strength of the acid: 0.1mol/L, 0.1N or N/10")),
        ("--used", millilitres, tr("acid used for the sample: 4.2mL")),
        ("--sample", grams, tr("the sample as weighed: 5.0g")),
        ("--blank", millilitres, tr("acid used without a sample (default: none)")),
        ("--aliquot", share, tr('part of the dissolved sample that was titrated: "25/100" (default: all of it)')),
        ("--back", millilitres, tr("for total: alkali titrated back")),
        ("--base", strength, tr("for total: strength of that alkali")),
        ("--free-alkali", share, tr("free caustic alkali as a laboratory found it, in %% KOH: 0.3%%")),
        ("--oil-blank", millilitres, tr("free oil: acid for the alcoholic potash boiled without a sample")),
        ("--oil-used", millilitres, tr("free oil: acid for the same with the sample")),
        ("--oil-sample", grams, tr("free oil: the sample as weighed")),
        ("--oil-acid", strength, tr("free oil: strength of that acid (default: that of --acid)")),
        ("--free-oil", share, tr("free oil as a laboratory found it: 6%%")),
        ("--burette-error", millilitres, tr("by how much the burette may be wrong (default: 0.1mL)")),
        ("--scale-error", grams, tr("by how much the scale may be wrong (default: 0.1g)")),
        ("--acid-error", share, tr("by how much the strengths may be wrong (default: 2%%)")),
        ("--mass", grams, tr("the batch as it is now, without its bucket (default: reckoned from the recipe)")),
        ("--diluted-with", tr("AMOUNT"), tr("water put in after the making (default: by the log of the batch)")),
        ("--temperature", tr("DEGREES"), tr("the paste now, by any thermometer: 56C or 133F")),
    ):
        parser.add_argument(option, metavar=metavar, help=help_line)
    parser.add_argument(
        "--cause", choices=tuple(_dashed(cause) for cause in CAUSES),
        help=tr("the likely cause (default: as the tool last said of the batch)"),
    )  # fmt: skip
    add_recipe(parser)
    parser.add_argument(
        "--note", action="store_true", help=tr("note the result in the log and the record of the batch")
    )
    parser.add_argument("--who", default="", help=tr("who did it"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read the titration and tell what to do."""
    settings = settings_of(args)
    asking = can_ask() and not args.json
    if args.note and args.batch is None:
        raise CommandError(tr("--note writes into a batch: name it, emberpail correct shed-2 --note ..."))
    cautions = _cautions(settings)
    if asking:
        # Read before the first answer, not after the last.
        _print_cautions(cautions)
    batch = _batch(args, settings, asking)
    errors = _errors(args)
    mass = _mass(args, batch, asking)
    cause = _cause(args, batch, asking)
    measured = _measured(args, batch, errors, asking)
    advice = correct(
        batch.recipe,
        mass,
        cause,
        alkali=measured.alkali,
        oil=measured.oil,
        water_added_kg=batch.water_added_kg,
        temperature_c=batch.temperature_c,
        vessel=batch.vessel,
    )
    noted = _note(args, settings, batch, measured) if args.note else ""
    if args.json:
        print_json(_as_json(batch, mass, measured, advice, cautions, noted=args.note))
        return YES
    if not asking:
        _print_cautions(cautions)
    _print(batch, mass, measured, advice)
    if args.note and batch.record is not None:
        print()
        say(" ".join(filter(None, (tr("Noted in the log of {batch}.", batch=batch.record.batch.name), noted))))
    return YES


def _dashed(cause: str) -> str:
    return cause.replace("_", "-")


def _cautions(settings: Settings) -> list[str]:
    """Those of correcting and of testing, each once, and what they defer to."""
    keys = {*caution_keys_for("correct"), *caution_keys_for("test"), "spill"}
    number_to_call = settings.site.emergency_number
    return [*(caution(key, number_to_call) for key in CAUTIONS if key in keys), tr(DEFERS)]


def _print_cautions(cautions: list[str]) -> None:
    for text in cautions:
        say(text, "! ")
    print()


# ---- what is asked for ---------------------------------------------------------------------------------------------


def _batch(args: argparse.Namespace, settings: Settings, asking: bool) -> _Batch:
    typed = recipe_of(args)
    temperature_c = None if args.temperature is None else parse_temperature_c(args.temperature, tr("the paste"))
    added_kg = None if args.diluted_with is None else parse_water_kg(args.diluted_with, tr("the dilution water"))
    if args.batch is None:
        if asking:
            typed = ask_recipe(typed, koh_empty=tr("not weighed"), water_empty=tr("not weighed"))
        elif not typed.oils:
            raise CommandError(
                tr('Name the batch, or give its recipe: emberpail correct --oil "sunflower 4.2 kg" --koh 850g ...')
            )
        return _Batch(typed, vessel_of(args, settings, None), added_kg or 0.0, "unknown", temperature_c, None)
    if typed != Recipe():
        raise CommandError(
            tr(
                "The recipe comes from the batch {batch}: leave out --oil, --koh, --purity and --water, or correct it "
                "with emberpail record.",
                batch=shown(args.batch),
            )
        )
    journal = journal_of_batches(settings)
    with journal:
        record = batch_called(journal, args.batch)
        recipe, vessel = journal.recipe_now(record.batch.name)
        if added_kg is None:
            added_kg = _water_added_kg(journal, record, recipe)
        cause = _cause_told(journal, record)
        if temperature_c is None and record.ended_s is None:
            temperature_c = _paste_c(journal, record)
    return _Batch(recipe, vessel, added_kg, cause, temperature_c, record)


def _water_added_kg(journal: Journal, record: BatchRecord, recipe: Recipe) -> float:
    """Water that the log has put in after the making, kg; a warning where there is more of it than it says."""
    filled_at_s = record.ended_s if record.outcome == "filled" and record.ended_s is not None else math.inf
    water = watered(
        journal.entries(record.batch.name), recipe, record.batch.started_s, now_s(), filled_at_s=filled_at_s
    )
    if not water.known:
        warn(tr("The log does not say how much water was added: weigh the batch and give --mass, or --diluted-with."))
    return water.kg


def _cause_told(journal: Journal, record: BatchRecord) -> str:
    """The likely cause that the newest alarm of the batch named."""
    told = [str(alarm.facts.get("cause", "")) for alarm in journal.alarms(batch=record.batch.name)]
    return next((cause for cause in reversed(told) if cause in CAUSES), "unknown")


def _paste_c(journal: Journal, record: BatchRecord) -> float | None:
    """The hottest believed paste probe of the last minutes, °C."""
    since_s = now_s() - _FRESH_S
    shown_c = [
        kept.reading.temperature_c
        for probe, kept in journal.latest(record.batch.bucket).items()
        if probe != "ambient"
        and kept.reason is None
        and kept.reading.temperature_c is not None
        and kept.reading.arrival_s >= since_s
    ]
    return max(shown_c, default=None)


def _mass(args: argparse.Namespace, batch: _Batch, asking: bool) -> Mass:
    def read(text: str) -> Mass:
        return mass_now(batch.recipe, batch.water_added_kg, parse_mass_kg(text, tr("the batch")))

    if args.mass is not None:
        return read(args.mass)
    reckoned = mass_now(batch.recipe, batch.water_added_kg)
    if asking:
        weighed = ask(
            tr("The batch as it is now, weighed without its bucket, like 6.3 kg"),
            read,
            empty=tr("not weighed, {mass:kg1} by its recipe", mass=reckoned.kg),
        )
        return weighed or reckoned
    return reckoned


def _cause(args: argparse.Namespace, batch: _Batch, asking: bool) -> str:
    if args.cause is not None:
        return str(args.cause).replace("-", "_")
    if not asking:
        return batch.cause
    names = tuple(_dashed(cause) for cause in CAUSES)

    def read(text: str) -> str:
        plain = "_".join(text.lower().replace("-", " ").split())
        for cause in CAUSES:
            if plain in (cause, "_".join(tr(CAUSE_WORDS[cause]).lower().replace("-", " ").split())):
                return cause
        raise CommandError(tr("Answer with one of: {names}.", names=", ".join(names)))

    answer = ask(
        tr("Likely cause, one of {names}", names=", ".join(names)), read, empty=tr(CAUSE_WORDS[batch.cause])
    )
    return answer or batch.cause


def _errors(args: argparse.Namespace) -> Errors:
    """What the readings may be wrong by, as typed."""
    burette, scale, strength = args.burette_error, args.scale_error, args.acid_error
    return Errors(
        burette_ml=USUAL_ERRORS.burette_ml
        if burette is None
        else parse_volume_ml(burette, tr("the error of the burette")),
        end_point_ml=USUAL_ERRORS.end_point_ml,
        # A scale may well be good to a milligram: not held to what a sample weighs.
        scale_g=USUAL_ERRORS.scale_g
        if scale is None
        else parse_sample_g(scale, tr("the error of the scale"), least_g=0.0),
        strength_share=USUAL_ERRORS.strength_share
        if strength is None
        else parse_percent(strength, tr("the error of the strength"), 50.0) / 100.0,
    )


def _measured(args: argparse.Namespace, batch: _Batch, errors: Errors, asking: bool) -> _Measured:
    caustic = None
    if args.free_alkali is not None:
        percent = parse_percent(args.free_alkali, tr("the free alkali"), 50.0)
        caustic = Share(percent, _LAB_REL_SD * percent + _LAB_ALKALI_SD)
    titrated, method = _titrated(args, errors, asking and caustic is None)
    soda = None
    if caustic is not None and titrated is not None:
        if method != "total":
            raise CommandError(
                tr("Free alkali is given twice: leave out --free-alkali, or the titration (--used and its like).")
            )
        soda = carbonate(titrated, caustic)
    alkali = caustic if caustic is not None else titrated
    oil = _oil(args, batch, alkali, errors, asking)
    return _Measured(alkali, method if caustic is None else "", oil, soda)


def _titrated(args: argparse.Namespace, errors: Errors, asking: bool) -> tuple[Share | None, str]:
    given = [name for name in _ALKALI if getattr(args, name) is not None]
    method = args.method
    if not given and asking:
        method = ask(
            tr("How free alkali was titrated, one of {names}", names=", ".join(METHODS)),
            _method,
            empty=tr("it was not"),
        )
        if method is None:
            return None, ""
    elif not given:
        return None, ""
    elif not asking:
        _all_of(_ALKALI if method != "total" else (*_ALKALI, "back", "base"), args)
    if method is None:
        method = ask(tr("How it was titrated, one of {names}", names=", ".join(METHODS)), _method) or METHODS[0]
    titre = Titre(
        strength_mol_l=_read(args.acid, tr("Strength of the acid, like 0.1 mol/L or 0.1 N"), parse_strength_mol_l),
        used_ml=_read(args.used, tr("Acid used for the sample, like 4.2 mL"), parse_volume_ml),
        blank_ml=_blank(args, asking),
        sample_g=_read(args.sample, tr("The sample as weighed, like 5.0 g"), parse_sample_g),
        aliquot=1.0 if args.aliquot is None else parse_aliquot(args.aliquot),
        back_ml=0.0
        if method != "total"
        else _read(args.back, tr("Alkali titrated back, like 12.5 mL"), parse_volume_ml),
        back_mol_l=0.0
        if method != "total"
        else _read(args.base, tr("Strength of that alkali, like 0.1 mol/L"), parse_strength_mol_l),
    )
    return free_alkali(titre, errors), method


def _blank(args: argparse.Namespace, asking: bool) -> float:
    if args.blank is not None:
        return parse_volume_ml(args.blank, tr("the acid used for the blank"))
    if not asking or args.used is not None:
        return 0.0
    return ask(tr("Acid used without a sample, like 0.1 mL"), parse_volume_ml, empty=tr("none")) or 0.0


def _method(text: str) -> str:
    plain = text.strip().lower().replace(" ", "-")
    if plain not in METHODS:
        raise CommandError(tr("Answer with one of: {names}.", names=", ".join(METHODS)))
    return plain


def _oil(
    args: argparse.Namespace, batch: _Batch, alkali: Share | None, errors: Errors, asking: bool
) -> Share | None:
    given = [name for name in _BACK if getattr(args, name) is not None]
    if args.free_oil is not None:
        if given:
            raise CommandError(tr("Free oil is given twice: leave out --free-oil, or --oil-used and its like."))
        percent = parse_percent(args.free_oil, tr("the free oil"), 100.0)
        return Share(percent, _LAB_REL_SD * percent + _LAB_OIL_SD)
    blank = args.oil_blank
    if not given:
        if not asking:
            return None
        blank_ml = ask(
            tr("Free oil by back-titration: acid for the potash boiled without a sample, like 24.6 mL"),
            parse_volume_ml,
            empty=tr("it was not measured"),
        )
        if blank_ml is None:
            return None
    else:
        if not asking:
            _all_of(_BACK, args)
            if args.oil_acid is None and args.acid is None:
                raise CommandError(tr("Give the strength of the acid too: --oil-acid 0.5mol/L."))
        blank_ml = _read(blank, tr("Acid for the potash boiled without a sample, like 24.6 mL"), parse_volume_ml)
    filled = fill_in(batch.recipe)
    back = BackTitre(
        blank_ml=blank_ml,
        used_ml=_read(args.oil_used, tr("Acid for the same with the sample, like 20.1 mL"), parse_volume_ml),
        strength_mol_l=_read(
            args.oil_acid or args.acid, tr("Strength of that acid, like 0.5 mol/L"), parse_strength_mol_l
        ),
        sample_g=_read(args.oil_sample, tr("The sample as weighed, like 5.0 g"), parse_sample_g),
    )
    return free_oil(back, filled.sv_mean, filled.sv_mean * filled.sv_rel_sd, alkali, errors)


def _read(typed: str | None, question: str, read: Callable[[str], float]) -> float:
    if typed is not None:
        return read(typed)
    return ask(question, read) or 0.0


def _all_of(names: tuple[str, ...], args: argparse.Namespace) -> None:
    missing = [f"--{name.replace('_', '-')}" for name in names if getattr(args, name) is None]
    if missing:
        raise CommandError(
            tr("A titration needs all of its figures: give {missing} too.", missing=", ".join(missing))
        )


# ---- what is told --------------------------------------------------------------------------------------------------


def _print(batch: _Batch, mass: Mass, measured: _Measured, advice: Correction) -> None:
    for sentence in _found_sentences(batch, mass, measured, advice):
        say(sentence, "- ")
    print()
    say(_head(advice.plan))
    for sentence in advice.reasons:
        say(sentence, "- ")
    print()
    for place, sentence in enumerate(advice.steps, 1):
        say(sentence, f"{place}. ")
    print()
    for sentence in advice.give_up:
        say(sentence, "- ")


def _head(plan: str) -> str:
    return {
        "none": tr("Nothing needs to be put in."),
        "test": tr("Test first."),
        "blend": tr("Blend again; put nothing in."),
        "warm": tr("Keep it warm; put nothing in."),
        "oil": tr("Oil takes it up, half first."),
        "potash": tr("Potash as cold, clear lye, half first."),
        "give_up": tr("Give it up, unless you find out what went in."),
    }[plan]


def _found_sentences(batch: _Batch, mass: Mass, measured: _Measured, advice: Correction) -> list[str]:
    lines = []
    if measured.alkali is not None:
        how = tr(METHOD_WORDS[measured.method]) if measured.method else tr("as a laboratory found it")
        lines.append(
            tr("Free alkali: {range} % as KOH, {how}.", range=percent_span(measured.alkali), how=how)
        )
        if measured.method == "alcohol":
            lines.append(
                tr("In alcohol some carbonate may count as free alkali; for potash soap the barium chloride method is "
                   "the surer one.")
            )  # fmt: skip
        if measured.method == "total":
            lines.append(tr("Carbonate counts in it, so the caustic part is smaller."))
    else:
        lines.append(tr("Free alkali: not measured."))
    if measured.carbonate is not None:
        lines.append(tr("Potassium carbonate: {range} %.", range=percent_span(measured.carbonate)))
    lines.append(
        tr("Free oil: not measured.")
        if measured.oil is None
        else tr("Free oil: {range} %.", range=percent_span(measured.oil))
    )
    if measured.oil is not None and measured.alkali is None:
        lines.append(tr("Its own free alkali was not titrated, so there may be more free oil than that."))
    lines.append(tr("The ranges hold 90 % of what the readings allow; where the sample was taken is not in them."))
    lines.append(tr(NOT_IN_WATER))
    lines.append(
        tr("The batch is taken as {low:kg1} to {high:kg1}, the likely cause as: {cause}.",
           low=mass.kg - 1.645 * mass.sd_kg, high=mass.kg + 1.645 * mass.sd_kg, cause=tr(CAUSE_WORDS[advice.cause]))
    )  # fmt: skip
    lines += [assumed_words(assumed) for assumed in advice.assumed]
    return lines


def _note(args: argparse.Namespace, settings: Settings, batch: _Batch, measured: _Measured) -> str:
    """Into the log, and into the record by its fields; in a sentence why nothing is learned from it, "" where it is.

    Refused where nothing was measured.
    """
    from monitor.learned import alkali_test_words  # its libraries are heavy

    if measured.alkali is None and measured.oil is None:
        raise CommandError(tr("Nothing was measured, so there is nothing to note: leave out --note."))
    assert batch.record is not None
    who = one_line(args.who, tr("The name after --who"))
    name, at_s = batch.record.batch.name, now_s()
    today = settings.local_time(at_s).date()
    parts = []
    with open_journal(settings) as journal, journal.transaction():
        if measured.alkali is not None:
            how = tr(METHOD_WORDS[measured.method]) if measured.method else tr("as a laboratory found it")
            parts.append(tr("free alkali {range} % as KOH, {how}", range=percent_span(measured.alkali), how=how))
            # Fields keep their figures in one form, whatever the language.
            value = read_field("free_alkali_percent", f"{max(0.0, measured.alkali.percent):.3f}", today)
            journal.add_detail(name, "free_alkali_percent", value, at_s, who)
            journal.add_detail(name, "tested_how", how, at_s, who)
        if measured.oil is not None:
            parts.append(tr("free oil {range} %", range=percent_span(measured.oil)))
            value = read_field("free_oil_percent", f"{max(0.0, measured.oil.percent):.2f}", today)
            journal.add_detail(name, "free_oil_percent", value, at_s, who)
        journal.add_entry(name, LogEntry("tested", at_s, at_s, text="; ".join(parts)), who=who)
        return "" if measured.alkali is None else alkali_test_words(journal, name)


def _as_json(
    batch: _Batch, mass: Mass, measured: _Measured, advice: Correction, cautions: list[str], *, noted: bool
) -> dict[str, object]:
    whole = advice.whole_g
    return {
        "batch": None if batch.record is None else batch.record.batch.name,
        "mass_kg": mass.kg,
        "mass_sd_kg": mass.sd_kg,
        "free_alkali": _share_json(measured.alkali),
        "method": measured.method or None,
        "free_oil": _share_json(measured.oil),
        "carbonate": _share_json(measured.carbonate),
        "cause": advice.cause,
        "plan": advice.plan,
        "whole_g": None if whole is None else {"low": whole.low, "likely": whole.likely, "high": whole.high},
        "first_g": advice.first_g,
        "water_g": None if advice.water_g is None else list(advice.water_g),
        "fits": advice.fits,
        "reasons": list(advice.reasons),
        "steps": list(advice.steps),
        "give_up": list(advice.give_up),
        "not_in_water": tr(NOT_IN_WATER),
        "assumed": list(advice.assumed),
        "noted": noted,
        "cautions": cautions,
    }


def _share_json(share: Share | None) -> dict[str, float] | None:
    if share is None:
        return None
    return {"percent": share.percent, "sd": share.sd, "low": share.low, "high": share.high}
