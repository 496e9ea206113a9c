"""The words: fields and quantities, units, numbers, lists, times, who speaks, and how the texts are collected."""

from __future__ import annotations

import contextvars
import math
import threading
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import words
from monitor.cli import build_parser, main
from monitor.commands.parsing import complaint
from monitor.journal.database import AlarmRecord
from monitor.languages import LANGUAGE_VARIABLES, LANGUAGES, UnknownLanguage, language_of, voice_for
from monitor.languages.collect import collected, dropped, faults, fields, updated, written
from monitor.retelling import retold, retold_short
from monitor.settings import SettingsError, settings_from_text
from monitor.words import ENGLISH, US, Voice, number, quantity, several, speaking, tr, trc, trn, when

CUSTOMARY = Voice(units=US)
COMMA = Voice(language="xx", decimal_sign=",")


# ---- texts and fields ----------------------------------------------------------------------------------------------


def test_a_text_without_a_catalogue_is_itself_with_its_fields_filled_in() -> None:
    """Fields go by name, in whatever order; a doubled brace is a brace."""
    assert tr("{bucket}: {what}, {bucket}", bucket="shed-2", what="warm") == "shed-2: warm, shed-2"
    assert tr('write {{ name = "{oil}" }}', oil="sunflower") == 'write { name = "sunflower" }'


def test_what_is_filled_in_is_never_read_as_a_text() -> None:
    """Braces in a name that somebody typed stay what they are."""
    assert tr("There is no bucket {name}.", name="{0:degC} {x}") == "There is no bucket {0:degC} {x}."


def test_a_field_may_have_the_name_of_the_text_itself() -> None:
    """The text is given by place, so {text}, {one} and {context} are free for fields."""
    assert tr("Do: {text}", text="look") == "Do: look"
    assert trc("a context", "{context} {text}", context="a", text="b") == "a b"
    assert trn("{one}", "{one} of {n}", 2, one="x") == "x of 2"


def test_a_missing_field_is_an_error() -> None:
    """A text with a field that nobody fills in must not reach a person."""
    with pytest.raises(KeyError):
        tr("{bucket} is warm", batch="x")


@pytest.mark.parametrize(("n", "told"), [(0, "0 lines"), (1, "1 line"), (2, "2 lines"), (21, "21 lines")])
def test_english_knows_one_and_many(n: int, told: str) -> None:
    """One line, any other number of lines."""
    assert trn("{n} line", "{n} lines", n) == told


def test_a_word_that_means_two_things_is_translated_by_its_context() -> None:
    """The voice is asked with the context; English is the same in both."""
    told = {("a lid", "open"): "abierta", ("a circuit", "open"): "sin contacto"}
    other = Voice(language="xx", translate_in=lambda context, text: told.get((context, text), text))
    with speaking(other):
        assert (trc("a lid", "open"), trc("a circuit", "open"), trc("a shop", "open")) == (
            "abierta", "sin contacto", "open",
        )  # fmt: skip
    assert trc("a lid", "open") == "open"


def test_a_translation_may_put_the_fields_in_another_order_and_leave_their_units_to_the_reader() -> None:
    """Words and units are two choices: Spanish words with pounds, English words with kilograms."""
    other = Voice(units=US, translate=lambda text: {"{a:kg} of {what}": "{what}: {a:kg}"}.get(text, text))
    with speaking(other):
        assert tr("{a:kg} of {what}", a=1.0, what="aceite") == "aceite: 2 lb 3.3 oz"


def test_a_marked_text_is_the_text_itself() -> None:
    """``mark`` only shows the collecting where a text stands."""
    assert words.mark("Visor, gloves.") == "Visor, gloves."


# ---- quantities ----------------------------------------------------------------------------------------------------

# Outside check: by hand from the definitions: t_F = 1.8 t_C + 32; 1 lb = 0.45359237 kg exactly and 16 oz to the pound;
# 1 US gallon = 231 cubic inches = 3.785411784 L exactly.
SPECS = [
    ("{x:degC}", 75.0, "75 °C", "167 °F"),
    ("{x:deg}", 75.0, "75", "167"),
    ("{x:degC1}", 37.04, "37.0 °C", "98.7 °F"),
    ("{x:dK}", 12.0, "12 K", "22 °F"),
    ("{x:dC}", 12.0, "12 °C", "22 °F"),
    ("{x:kg}", 4.2, "4.20 kg", "9 lb 4.2 oz"),
    ("{x:kg3}", 0.8504, "0.850 kg", "1 lb 14.0 oz"),
    ("{x:kg}", 0.1, "0.10 kg", "3.5 oz"),
    ("{x:grams}", 145.0, "145 g", "5.1 oz"),
    ("{x:litres}", 25.0, "25 L", "6.6 US gal"),
    ("{x:litres1}", 3.6, "3.6 L", "1.0 US gal"),
    ("{x:g_per_l}", 3.2, "3.2 g/L", "0.43 oz/US gal"),
    ("{x:per_l}", 3.2, "3.2", "0.43"),
]


@pytest.mark.parametrize(("text", "value", "metric", "customary"), SPECS)
def test_a_quantity_is_told_in_the_units_spoken(text: str, value: float, metric: str, customary: str) -> None:
    """The value is SI always; only its face changes."""
    assert tr(text, x=value) == metric
    with speaking(CUSTOMARY):
        assert tr(text, x=value) == customary


def test_a_whole_number_in_the_place_of_a_field_stands_for_itself() -> None:
    """Limits are written where they are said, and are told in the reader's units."""
    text = "Never blend above {75:degC}; taken is past {75:deg} to {80:degC}."
    assert tr(text) == "Never blend above 75 °C; taken is past 75 to 80 °C."
    with speaking(CUSTOMARY):
        assert tr(text) == "Never blend above 167 °F; taken is past 167 to 176 °F."


@pytest.mark.parametrize("spec", ["degC", "deg", "dK", "dC", "kg", "grams", "litres", "g_per_l", "per_l"])
@pytest.mark.parametrize("value", [-0.0, -0.0001, 0.0001])
def test_nothing_is_never_told_with_a_minus(spec: str, value: float) -> None:
    """-0.4 °C is told as 0 °C, and no ounce is less than none."""
    for chosen in (ENGLISH, CUSTOMARY):
        with speaking(chosen):
            assert not quantity(value, spec).startswith("-")


def test_below_nothing_keeps_its_minus() -> None:
    """Frost is frost in both."""
    assert quantity(-5.0, "degC") == "-5 °C"
    assert quantity(-0.5, "kg") == "-0.50 kg"
    with speaking(CUSTOMARY):
        assert quantity(-40.0, "degC") == "-40 °F"
        assert quantity(-0.5, "kg") == "-1 lb 1.6 oz"


@pytest.mark.parametrize(("kg", "told"), [(0.45359237, "1 lb 0.0 oz"), (0.4535, "1 lb 0.0 oz"), (0.4520, "15.9 oz")])
def test_ounces_never_reach_sixteen(kg: float, told: str) -> None:
    """15.96 oz is one pound, not "16.0 oz"."""
    with speaking(CUSTOMARY):
        assert quantity(kg, "kg") == told


@given(st.floats(-1000.0, 1000.0), st.sampled_from(["kg", "grams", "litres", "degC", "dK"]))
def test_both_systems_tell_the_same_quantity(value: float, spec: str) -> None:
    """Read back by the definitions, what is told in US units is the metric value, to the last figure shown."""
    with speaking(CUSTOMARY):
        told = quantity(value, spec)
    if spec == "kg":
        sign = -1.0 if told.startswith("-") else 1.0
        pounds, _, ounces = told.lstrip("-").rpartition(" lb ")
        back = sign * (int(pounds or 0) * 16.0 + float(ounces.removesuffix(" oz"))) / 16.0 * 0.45359237
        assert back == pytest.approx(value, abs=0.05 * 0.0283495232 + 1e-6)
    elif spec == "grams":
        assert float(told.removesuffix(" oz")) * 28.349523125 == pytest.approx(value, abs=0.05 * 28.35 + 1e-6)
    elif spec == "litres":
        assert float(told.removesuffix(" US gal")) * 3.785411784 == pytest.approx(value, abs=0.05 * 3.7855 + 1e-6)
    elif spec == "degC":
        assert (float(told.removesuffix(" °F")) - 32.0) / 1.8 == pytest.approx(value, abs=0.5 / 1.8 + 1e-6)
    else:
        assert float(told.removesuffix(" °F")) / 1.8 == pytest.approx(value, abs=0.5 / 1.8 + 1e-6)


@pytest.mark.parametrize("value", [math.nan, math.inf])
@pytest.mark.parametrize("spec", ["degC", "kg", "litres"])
def test_what_is_no_number_stays_visibly_none_in_metric(value: float, spec: str) -> None:
    """The callers turn it away before; should one forget, no figure is made up."""
    assert quantity(value, spec).startswith(("nan", "inf"))


def test_none_has_no_quantity() -> None:
    """A value that is not known is an error, not a "None °C"."""
    with pytest.raises((TypeError, ValueError)):
        tr("{t:degC}", t=None)


def test_a_quantity_that_nobody_knows_is_an_error() -> None:
    """A slip in a spec is seen by the first who reads the text."""
    with pytest.raises(KeyError):
        quantity(1.0, "stone")
    with pytest.raises(ValueError, match="format"):
        tr("{x:stone}", x=1.0)


# ---- numbers, lists, times -----------------------------------------------------------------------------------------


def test_figures_take_the_sign_of_the_language_and_names_keep_their_points() -> None:
    """3.5 is 3,5 where a comma is written; "mqtt.local" is a name."""
    with speaking(COMMA):
        assert tr("{x:.1f} from {host}", x=3.5, host="mqtt.local") == "3,5 from mqtt.local"
        assert (number(1.25, 2), words.localised("1,234.5"), quantity(4.2, "kg")) == ("1,25", "1.234,5", "4,20 kg")
    assert (number(1.25, 2), number(-7.0)) == ("1.25", "-7")


@pytest.mark.parametrize(
    ("parts", "told"),
    [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")],
)
def test_several_things_are_listed_as_a_person_lists_them(parts: list[str], told: str) -> None:
    """A comma between, "and" before the last."""
    assert several(parts) == told


def test_english_times_do_not_follow_the_process_locale() -> None:
    """Days and months by our own names, in four forms; a date needs no time."""
    moment = datetime(2026, 1, 7, 8, 5, tzinfo=UTC)
    assert [when(moment, form) for form in (words.TIME, words.DAY_TIME, words.DAY_DATE_TIME, words.DATE)] == [
        "08:05", "Wed 08:05", "Wed 07 Jan 08:05", "07 Jan 2026",
    ]  # fmt: skip
    assert when(date(2026, 3, 1), words.DATE) == "01 Mar 2026"


def test_spanish_tells_days_and_decimals_by_its_own_custom() -> None:
    """Unicode CLDR, by Babel: decimal comma, "mié" for Wednesday, "ene" for January."""
    with speaking(voice_for("es")):
        assert when(datetime(2026, 1, 7, 8, 5, tzinfo=UTC), words.DAY_DATE_TIME) == "mié 7 ene 08:05"
        assert number(3.25, 1) in ("3,2", "3,3")


# ---- who speaks ----------------------------------------------------------------------------------------------------


def test_a_voice_speaks_to_the_end_of_its_block_and_no_longer() -> None:
    """Also where the block ends in an error."""
    with pytest.raises(ZeroDivisionError), speaking(CUSTOMARY):
        _ = 1 / 0
    assert words.voice() == ENGLISH


def test_one_thread_does_not_change_what_another_speaks() -> None:
    """The page may speak Spanish while the phone speaks English."""
    heard: list[Voice] = []
    with speaking(CUSTOMARY):
        thread = threading.Thread(target=lambda: heard.append(words.voice()))
        thread.start()
        thread.join()
    assert heard == [ENGLISH]


def test_an_unknown_language_or_system_of_units_is_named() -> None:
    """One sentence with those that there are."""
    with pytest.raises(UnknownLanguage, match=r'"xx" is not known; there are en, es'):
        voice_for("xx")
    with pytest.raises(UnknownLanguage, match=r'"furlongs" are not known; there are metric, us'):
        voice_for("en", "furlongs")


@pytest.mark.parametrize(
    ("environ", "language"),
    [
        ({}, "en"),
        ({"EMBERPAIL_LANGUAGE": "es"}, "es"),
        ({"EMBERPAIL_LANGUAGE": "xx", "LANG": "es_ES.UTF-8"}, "en"),
        ({"LANG": "es_MX.UTF-8"}, "es"),
        ({"LC_ALL": "C", "LANG": "es_ES"}, "en"),
        ({"LC_ALL": "", "LANG": "es"}, "es"),
        ({"EMBERPAIL_LANGUAGE": "en", "LANG": "es"}, "en"),
        ({"LANG": "ES-ar"}, "es"),
    ],
)
def test_the_environment_chooses_a_language_that_there_is(environ: dict[str, str], language: str) -> None:
    """The first variable that is set decides; a language without a catalogue is English."""
    assert language_of(environ) == language


def _spoken_after(arguments: list[str]) -> Voice:
    """The voice that the command line leaves behind, without leaving it to the other tests."""

    def run() -> Voice:
        main(arguments)
        return words.voice()

    return contextvars.copy_context().run(run)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings file of a Spanish-speaking place with US units and a journal of its own."""
    for variable in LANGUAGE_VARIABLES:
        monkeypatch.delenv(variable, raising=False)
    path = tmp_path / "emberpail.toml"
    path.write_text(
        f'[place]\nname = "Quillmarsh"\nlanguage = "es"\nunits = "us"\n[journal]\npath = "{tmp_path}/j.sqlite"\n',
        encoding="utf-8",
    )
    return path


def test_a_language_that_there_is_not_is_spoken_as_english(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """EMBERPAIL_LANGUAGE=xx stops nobody from working."""
    monkeypatch.setenv("EMBERPAIL_LANGUAGE", "xx")
    assert _spoken_after(["status", "--help"]) == ENGLISH
    assert "How every bucket stands" in capsys.readouterr().out


def test_the_environment_speaks_until_the_settings_are_read_and_they_win(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The place's own language and units stand above those of whoever logged in."""
    monkeypatch.setenv("EMBERPAIL_LANGUAGE", "en")
    assert _spoken_after(["status", "--help"]).language == "en"
    spoken = _spoken_after(["status", "--settings", str(place)])
    assert (spoken.language, spoken.units) == ("es", "us")
    assert _spoken_after(["check", "--settings", str(place)]).language == "es"


def test_a_mistake_in_the_settings_is_told_in_the_language_they_ask_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before they are read whole, and whoever logged in."""
    spoken = Voice(language="es", translate=lambda text: "{value} no es {allowed}" if "is none of" in text else text)
    monkeypatch.setattr("monitor.settings.voice_for", lambda language, units="metric": spoken)
    with pytest.raises(SettingsError, match="x no es"):
        settings_from_text('[place]\nlanguage = "es"\nunits = "x"\n', Path("e.toml"), {})


@pytest.mark.parametrize("command", ["status", "check"])
def test_what_a_program_reads_is_english_and_metric(place: Path, command: str) -> None:
    """--json does not change with the language of the place."""
    assert _spoken_after([command, "--json", "--settings", str(place)]) == ENGLISH


def test_what_argparse_complains_of_is_told_in_the_language_spoken() -> None:
    """Its own sentences are in the catalogue; one that nobody foresaw is told as it is."""
    told = {"The following arguments are required: {names}": "Falta: {names}"}
    with speaking(Voice(language="xx", translate=lambda text: told.get(text, text))):
        assert complaint("the following arguments are required: alarm, who") == "Falta: alarm, who"
        assert complaint("something quite new") == "Something quite new"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["quiet"], "The following arguments are required: alarm."),
        (["status", "a", "b"], "Unrecognized arguments: b."),
        (["ack", "--who"], "Argument --who: expected one argument."),
        (["check", "--json=3"], "Argument --json: ignored explicit argument '3'."),
        (["ack", "x", "--whoo", "y"], "Unrecognized arguments: --whoo y."),
    ],
)
def test_every_usual_complaint_of_argparse_is_known(
    arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the real argparse of this Python, so that a change of its words is seen here."""
    asked: list[str] = []

    def translate(text: str) -> str:
        asked.append(text)
        return text

    with speaking(ENGLISH):
        parser = build_parser()
    with speaking(Voice(translate=translate)), pytest.raises(SystemExit):
        parser.parse_args(arguments)
    assert told in capsys.readouterr().err
    assert any(text.endswith(("{names}", "{name}: expected one argument", "{value}")) for text in asked)


def test_an_alarm_of_the_journal_is_told_again_in_the_readers_units() -> None:
    """The journal keeps the English words and the facts; whoever reads in Fahrenheit gets the sentence anew."""
    facts = {"temperature_c": 52.0, "direction": "falling", "minutes_since_blend": 25.0, "short": "shed-2: kept."}
    kept = AlarmRecord(
        "id", "not_taken", "shed-2", "Quillmarsh 12", "unacknowledged", urgency="now", probability=0.9, says="kept",
        do="kept too", facts=facts,
    )  # fmt: skip
    assert retold(kept) == ("kept", "kept too")
    assert retold_short(kept) == "shed-2: kept."
    with speaking(CUSTOMARY):
        says, do = retold(kept)
        assert says.startswith("shed-2 has not taken: 126 °F and falling, 25 min after blending")
        assert "Never blend or stir above 167 °F." in do
        assert "126 °F" in retold_short(kept)


# ---- collecting ----------------------------------------------------------------------------------------------------

SOURCE = """
from monitor.words import mark, tr, trc, trn

GEAR = mark("Visor, gloves.")

def told(n, lid):
    one = tr("Put together "
             "from two pieces, {n} times.", n=n)
    two = tr(
        "On a line of its own {lid}",
        lid=trc("a lid", "open"),
    )
    three = trn(
        "{n} bucket", "{n} buckets",
        n,
    )
    four = trc("a circuit", "open")
    five = tr('With "quotes" and {{braces}}: {t:degC}', t=75)
    six = tr(TEXTS[lid])
    seven = tr("Outside", inside=str(lid or tr("Inside of brackets")))
    eight = f"{n}: {tr('In an f-string')}"
    return tr(GEAR) if tr("A condition") else not_told("This is no text")
"""


@pytest.fixture
def source(tmp_path: Path) -> Path:
    folder = tmp_path / "program"
    folder.mkdir()
    (folder / "told.py").write_text(SOURCE, encoding="utf-8")
    return folder


def test_every_way_of_writing_a_text_is_collected(source: Path) -> None:
    """Pieces put together, calls over several lines, contexts, plurals, quotes, and calls within calls."""
    found = {(message.id, message.context) for message in collected(source) if message.id}
    assert found == {
        ("Visor, gloves.", None),
        ("Put together from two pieces, {n} times.", None),
        ("On a line of its own {lid}", None),
        ("open", "a lid"),
        ("open", "a circuit"),
        (("{n} bucket", "{n} buckets"), None),
        ('With "quotes" and {{braces}}: {t:degC}', None),
        ("A condition", None),
        ("Outside", None),
        ("Inside of brackets", None),
        ("In an f-string", None),
    }


def test_collecting_twice_gives_the_same_bytes(source: Path, tmp_path: Path) -> None:
    """Without dates and line numbers, so that a change of a catalogue is a change of its texts."""
    path = tmp_path / "es.po"
    path.write_bytes(written(updated(path, "es", collected(source))))
    once = path.read_bytes()
    path.write_bytes(written(updated(path, "es", collected(source))))
    assert path.read_bytes() == once
    assert b"2026" not in once and b"told.py:" not in once


def test_a_translation_stays_through_the_collecting_and_goes_with_its_text(source: Path, tmp_path: Path) -> None:
    """What was translated is kept, with context and plural; a changed English text has no translation and is told."""
    path = tmp_path / "es.po"
    fresh = updated(path, "es", collected(source))
    for message in fresh:
        if message.id:
            # As many forms as the language has: another edition of the locale data may count more.
            plural = isinstance(message.id, tuple | list)
            message.string = tuple(message.id[-1:]) * fresh.num_plurals if plural else message.id
    _get(fresh, "open", "a lid").string = "abierta"
    path.write_bytes(written(fresh))
    again = updated(path, "es", collected(source))
    assert faults(again) == []
    assert _get(again, "open", "a lid").string == "abierta"
    assert _get(again, "open", "a circuit").string == "open"

    changed = SOURCE.replace("Visor, gloves.", "Visor, gloves, sleeves.")
    (source / "told.py").write_text(changed, encoding="utf-8")
    later = updated(path, "es", collected(source))
    assert faults(later) == ['no translation of "Visor, gloves, sleeves."']
    assert dropped(path, "es", later) == ['no longer told: "Visor, gloves." ("Visor, gloves.")']
    assert dropped(path, "es", again) == []
    assert b'Visor, gloves."' not in written(later)


def _get(catalog, text: str, context: str | None = None):  # type: ignore[no-untyped-def]
    return catalog.get(text, context)


@pytest.mark.parametrize(
    ("translation", "fault"),
    [
        ("Junto, {n} veces.", None),
        ("Junto.", "lacks"),
        ("Junto, {n} veces de {m}.", "has"),
        ("Junto, {n:degC} veces.", "lacks"),
        ("Junto, {n veces.", "brace"),
        ("", "no translation"),
    ],
)
def test_a_translation_with_other_fields_is_a_fault(
    source: Path, tmp_path: Path, translation: str, fault: str | None
) -> None:
    """A field lost or made up would be seen by the reader alone, and a wrong unit by nobody."""
    fresh = updated(tmp_path / "es.po", "es", collected(source))
    for message in fresh:
        if message.id:
            # As many forms as the language has: another edition of the locale data may count more.
            plural = isinstance(message.id, tuple | list)
            message.string = tuple(message.id[-1:]) * fresh.num_plurals if plural else message.id
    _get(fresh, "Put together from two pieces, {n} times.").string = translation
    found = faults(fresh)
    assert (found == []) if fault is None else (len(found) == 1 and fault in found[0])


def test_the_fields_of_a_text_are_told_with_their_specs() -> None:
    """{low:deg} and {low:degC} are two things."""
    assert fields("{low:deg} to {high:degC}, {{no}} {75:degC}") == {"low:deg", "high:degC", "75:degC"}


def test_the_program_has_texts_of_every_part() -> None:
    """The real collecting finds the alarms, the settings, the commands and the phones."""
    template = collected()
    places = {place for message in template for place, _ in message.locations}
    assert {
        "monitor/judgement/wording.py",
        "monitor/toml_tables.py",
        "monitor/cli.py",
        "monitor/phone/routes.py",
    } <= places
    assert len(template) > 400


def test_every_language_can_speak(source: Path) -> None:
    """A voice of each catalogue fills in a text, translated or not."""
    for language in LANGUAGES:
        with speaking(replace(voice_for(language), decimal_sign=".")):
            assert tr("{x:degC}", x=75.0) == "75 °C"
