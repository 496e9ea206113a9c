"""emberpail.toml: what it may say, how a mistake is told, and that secrets stay hidden."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import settings as s
from monitor.settings import Secret, SettingsError, WakingHours, load_settings, settings_from_text

_SAMPLE = Path(s.__file__).with_name("sample_settings.toml")
_FILE = Path("emberpail.toml")


def _read(text: str, **environ: str) -> s.Settings:
    return settings_from_text(text, _FILE, {"HOME": "/home/ada", **environ})


def _problems(text: str, **environ: str) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        _read(text, **environ)
    return caught.value.problems


# ---- the file and where it is looked for ----


def test_without_a_file_there_are_defaults_and_no_source(tmp_path: Path) -> None:
    """With no settings file everything has its default, and nothing is listened to."""
    settings = load_settings(environ={"HOME": str(tmp_path)}, folder=tmp_path)
    assert settings.file is None
    assert settings.sources == ()
    assert settings.no_phone
    assert settings.site.emergency_number == "112"
    assert settings.page.host == "127.0.0.1"
    assert settings.journal_path == tmp_path / ".local/share/emberpail/journal.sqlite"
    assert settings.place().boiling_point_c == 100.0


def test_the_search_goes_from_the_nearest_to_the_farthest(tmp_path: Path) -> None:
    """--settings wins over the variable, the variable over the folder, the folder over the user's own file."""
    own = tmp_path / "home" / ".config" / "emberpail" / "emberpail.toml"
    own.parent.mkdir(parents=True)
    folder = tmp_path / "folder"
    folder.mkdir()
    for path in (own, folder / "emberpail.toml", tmp_path / "variable.toml", tmp_path / "chosen.toml"):
        path.write_text("")
    environ = {"HOME": str(tmp_path / "home")}
    with_variable = {**environ, "EMBERPAIL_SETTINGS": str(tmp_path / "variable.toml")}
    assert load_settings(environ=environ, folder=tmp_path).file == own
    assert load_settings(environ=environ, folder=folder).file == folder / "emberpail.toml"
    assert load_settings(environ=with_variable, folder=folder).file == tmp_path / "variable.toml"
    chosen = load_settings(tmp_path / "chosen.toml", with_variable, folder)
    assert chosen.file == tmp_path / "chosen.toml"


def test_a_file_that_was_named_and_is_not_there_is_an_error(tmp_path: Path) -> None:
    """A missing file is not silently passed over for another one."""
    (tmp_path / "emberpail.toml").write_text("")
    with pytest.raises(SettingsError, match=r"There is no settings file .*nowhere\.toml \(--settings names it\)"):
        load_settings(tmp_path / "nowhere.toml", {"HOME": "/"}, tmp_path)
    with pytest.raises(SettingsError, match=r"\(\$EMBERPAIL_SETTINGS names it\)"):
        load_settings(None, {"HOME": "/", "EMBERPAIL_SETTINGS": str(tmp_path / "gone.toml")}, tmp_path)


def test_the_sample_loads_without_a_word() -> None:
    """The packaged example has no problem, and warns only of the people who have no route yet."""
    settings = load_settings(_SAMPLE, {"HOME": "/home/ada"})
    assert [bucket.name for bucket in settings.buckets] == ["shed-2", "shed-3"]
    assert all("no routes" in warning for warning in settings.warnings)


def test_the_sample_with_every_comment_taken_off_loads(tmp_path: Path) -> None:
    """What the example offers in comments is right too: every commented key and heading can be switched on."""
    text = re.sub(r"^# (\[\[?[a-z.]+\]\]?|[a-z_]+ = )", r"\1", _SAMPLE.read_text(encoding="utf-8"), flags=re.M)
    (tmp_path / "ca.pem").write_text("a certificate")
    path = tmp_path / "emberpail.toml"
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
    environ = {
        "HOME": "/home/ada", "EMBERPAIL_MQTT_PASSWORD": "m", "EMBERPAIL_INFLUX_TOKEN": "t",
        "EMBERPAIL_METRICS_TOKEN": "0123456789abcdef",
        "EMBERPAIL_PAGE_PASSPHRASE": "wet frog sings", "EMBERPAIL_HEARTBEAT_URL": "https://beat.invalid/x",
    }  # fmt: skip
    settings = load_settings(path, environ)
    assert [type(source).__name__ for source in settings.sources] == ["SerialSource", "MqttSource", "RecordingSource"]
    assert settings.mirror is not None
    assert settings.mirror.token.reveal() == "t"
    assert settings.sources[1].tls  # type: ignore[union-attr]


def test_never_can_be_said_of_the_drill_and_of_the_night_s_summary(tmp_path: Path) -> None:
    """An empty text, as the example has it."""
    path = tmp_path / "emberpail.toml"
    path.write_text('[drill]\nday = ""\n[reminders]\nmorning_at = ""\n', encoding="utf-8")
    settings = load_settings(path, {"HOME": "/"})
    assert settings.drill.day is None
    assert settings.reminders.morning_minute is None


def test_the_sample_names_every_setting() -> None:
    """A setting that the reader knows stands in the example, so that nobody has to read the code for it."""
    sample = _SAMPLE.read_text(encoding="utf-8")
    code = Path(s.__file__).read_text(encoding="utf-8")
    asked = re.findall(
        r"table\.(?:text|optional_text|required_text|choice|number|optional_number|whole|flag|texts|secret|secrets|clock_pair|take)\(\s*\"([a-z_]+)\"",
        code,
    )
    assert len(asked) > 30
    unnamed = {key for key in asked if not re.search(rf"\b{key}\b", sample)}
    # The slope of a straight-line amplifier has one value in nearly every chip; the example tells it in words.
    assert unnamed - {"uv_per_c"} == set()


# ---- a full file ----

_FULL = """
[place]
name = "Quillmarsh allotments"
emergency_number = 999
altitude_m = 1500
time_zone = "Europe/Berlin"
waking_hours = ["06:30", "21:00"]
[[source]]
kind = "mqtt"
host = "broker.local"
tls = true
username = "node"
password = "${BROKER_WORD}"
bucket = "shed-2"
[[source]]
kind = "recording"
path = "night.rec"
[[bucket]]
name = "shed-2"
litres = 25
insulation = "box"
[bucket.probe.core]
thermocouple = "N"
amplifier = "straight-line"
two_point = [[98.0, 100.0], [2.0, 0.0]]
[[person]]
name = "Ada"
routes = ["${ADA_ROUTE}", "json://localhost:9/x"]
[page]
host = "0.0.0.0"
names = ["Shed.Local"]
[journal]
path = "data/journal.sqlite"
"""


def test_a_full_file_becomes_values() -> None:
    """Each section of the file arrives as its value."""
    settings = settings_from_text(
        _FULL, Path("/etc/emberpail/emberpail.toml"), {"HOME": "/", "BROKER_WORD": "pw", "ADA_ROUTE": "ntfy://topic-1"}
    )
    mqtt, recording = settings.sources
    assert isinstance(mqtt, s.MqttSource)
    assert (mqtt.port, mqtt.tls, mqtt.bucket, mqtt.topic) == (8883, True, "shed-2", "emberpail/+/readings")
    assert mqtt.password is not None
    assert mqtt.password.reveal() == "pw"
    assert recording == s.RecordingSource("recording-2", Path("/etc/emberpail/night.rec"))
    assert settings.site.emergency_number == "999"
    assert settings.people[0].waking_hours == WakingHours(390, 1260)
    assert [route.reveal() for route in settings.people[0].routes] == ["ntfy://topic-1", "json://localhost:9/x"]
    assert not settings.no_phone
    assert settings.page.names == ("shed.local",)
    assert settings.journal_path == Path("/etc/emberpail/data/journal.sqlite")
    (probe,) = settings.bucket("shed-2").probes
    assert (probe.probe, probe.thermocouple, probe.amplifier) == ("core", "N", "straight-line")
    # Shown 98 is 100 and shown 2 is 0, whichever of the two was written first.
    assert probe.gain * 98.0 + probe.offset_c == pytest.approx(100.0)
    assert probe.gain * 2.0 + probe.offset_c == pytest.approx(0.0)
    assert settings.bucket("elsewhere") == s.BucketSettings("elsewhere")


def test_the_page_has_an_address_and_a_passphrase_of_its_own() -> None:
    """The address's host is one the page answers to; the passphrase shows nowhere and may stand in the environment."""
    text = '[page]\naddress = "http://Shed.local:8737/"\nnames = ["barn.local"]\n'
    page = settings_from_text(text, Path("e.toml"), {"EMBERPAIL_PAGE_PASSPHRASE": "wet frog sings"}).page
    assert page.address == "http://Shed.local:8737"
    assert page.names == ("barn.local", "shed.local")
    assert page.passphrase is not None
    assert page.passphrase.reveal() == "wet frog sings"
    assert "frog" not in repr(page)
    assert settings_from_text("", Path("e.toml"), {}).page == s.PageSettings()


def test_the_password_may_come_from_the_environment_alone() -> None:
    """EMBERPAIL_MQTT_PASSWORD and EMBERPAIL_INFLUX_TOKEN fill in what the file leaves out."""
    text = '[[source]]\nkind = "mqtt"\nusername = "n"\n[mirror]\nurl = "https://db.local"\norg = "o"\nbucket = "b"\n'
    settings = _read(text, EMBERPAIL_MQTT_PASSWORD="pw", EMBERPAIL_INFLUX_TOKEN="tok")
    assert settings.sources[0].password == Secret("pw")  # type: ignore[union-attr]
    assert settings.mirror is not None
    assert settings.mirror.token == Secret("tok")


def test_local_time_is_that_of_the_place() -> None:
    """A named zone follows its summer time: 1 July 2026 12:00 UTC is 14:00 in Berlin, 1 January 13:00."""
    settings = _read('[place]\ntime_zone = "Europe/Berlin"')
    assert settings.local_time(1782907200.0).strftime("%d.%m. %H:%M") == "01.07. 14:00"
    assert settings.local_time(1767268800.0).strftime("%d.%m. %H:%M") == "01.01. 13:00"


@pytest.mark.parametrize(
    ("hour", "day", "night"), [(3, False, True), (7, True, True), (12, True, False), (22, False, True)]
)
def test_waking_hours_may_run_over_midnight(hour: int, day: bool, night: bool) -> None:
    """07:00-22:00 holds its start and not its end; 20:00-10:00 is a night worker's day."""
    assert WakingHours(7 * 60, 22 * 60).holds(hour * 60) is day
    assert WakingHours(20 * 60, 10 * 60).holds(hour * 60) is night


# ---- mistakes ----

_MISTAKES = [
    ("[place]\naltitud_m = 30", 2, "altitud_m is not a setting of [place]: did you mean altitude_m?"),
    ("[place]\naltitude_m = 9000", 2, "9000 is out of range; -450 to 6000 m is allowed"),
    ("[place]\naltitude_m = true", 2, "true is not a number"),
    ("[place]\naltitude_m = nan", 2, "nan is out of range"),
    ('[place]\naltitude_m = "low"', 2, '"low" is not a number; write for example altitude_m = 120.'),
    ('[place]\nemergency_number = "help"', 2, '"help" is no telephone number'),
    ('[place]\ntime_zone = "Europe/Berlim"', 2, "did you mean Europe/Berlin?"),
    ('[place]\nwaking_hours = ["07:00"]', 2, "is not two times from 00:00 to 24:00"),
    ('[place]\nwaking_hours = ["07:00", "24:30"]', 2, "is not two times from 00:00 to 24:00"),
    ('[place]\nwaking_hours = ["07:00", "07:00"]', 2, "leaves no waking hour"),
    ('[place]\nname = ""', 2, "it is empty"),
    ("place = 3", 1, "write it as a heading on its own line: [place]"),
    ('[source]\nkind = "serial"', 1, "two brackets: [[source]]"),
    ('[[source]]\nport = "auto"', 1, "a [[source]] has no kind"),
    ('[[source]]\nkind = "Serial"', 2, 'write for example kind = "serial"'),
    ('[[source]]\nkind = "serial"\nbaud = 12', 3, "12 is out of range; 300 to 4000000 is allowed"),
    ('[[source]]\nkind = "serial"\nhost = "x"', 3, 'host is not a setting of [[source]]'),
    ('[[source]]\nkind = "mqtt"\nhost = "mqtt://broker"', 3, "is not a bare host name"),
    ('[[source]]\nkind = "mqtt"\nport = 70000', 3, "70000 is out of range; 1 to 65535 is allowed"),
    ('[[source]]\nkind = "mqtt"\ntls = "yes"', 3, '"yes" is not true or false'),
    ('[[source]]\nkind = "mqtt"\npassword = "pw"', 3, "a password needs a username"),
    ('[[source]]\nkind = "mqtt"\nca_file = "x.pem"', 3, "it is of no use without tls"),
    ('[[source]]\nkind = "mqtt"\ntls = true\nca_file = "x.pem"', 4, "there is no file x.pem"),
    ('[[source]]\nkind = "mqtt"\ntopic = "a/#/b"', 3, "the # is not alone at the end"),
    ('[[source]]\nkind = "mqtt"\ntopic = "a/b+"', 3, "a + does not stand alone"),
    ('[[source]]\nkind = "mqtt"\nusername = "n"\npassword = "${NOBODY}"', 4, "variable NOBODY is not set"),
    ('[[source]]\nkind = "recording"', 1, "has no path"),
    ('[[bucket]]\nname = "shed-2"\n[[source]]\nkind = "serial"\nbucket = "shed2"', 5, "did you mean shed-2?"),
    ("[[bucket]]\nlitres = 25", 1, "[[bucket]] has no name"),
    ('[[bucket]]\nname = "shed 2"', 2, "cannot travel over the wire"),
    ('[[bucket]]\nname = "a/b"', 2, "cannot travel over the wire"),
    ('[[bucket]]\nname = "a"\nlitres = 0', 3, "0 is out of range; 0.5 to 1000 L is allowed"),
    ('[[bucket]]\nname = "a"\ninsulation = "blankets"', 3, 'write for example insulation = "blanket"'),
    ('[[bucket]]\nname = "a"\n[[bucket]]\nname = "a"', 3, "stands in the file twice"),
    ('[[bucket]]\nname = "a"\n[bucket.probe.cor]\noffset_c = 1', 3, "did you mean core?"),
    ('[[bucket]]\nname = "a"\n[bucket.probe.core]\nthermocouple = "k"', 4, 'write for example thermocouple = "K"'),
    ('[[bucket]]\nname = "a"\n[bucket.probe.core]\noffset_c = 40', 4, "-10 to 10 °C is allowed"),
    ('[[bucket]]\nname = "a"\n[bucket.probe.core]\ntwo_point = [[1, 2], [3, 4]]', 4, "10 °C or more apart"),
    ('[[bucket]]\nname = "a"\n[bucket.probe.core]\ntwo_point = [[0, 0], [90, 9]]', 4, "must rise together"),
    ('[[bucket]]\nname = "a"\n[bucket.probe.core]\ntwo_point = [1, 2]', 4, "it is not two pairs"),
    ('[[person]]\nroutes = ["json://localhost"]', 1, "[[person]] has no name"),
    ('[[person]]\nname = "Ada"\nroutes = "json://localhost"', 3, "it is not a list in square brackets"),
    ('[[person]]\nname = "Ada"\nroutes = ["0123456"]', 3, "number 1 of the list is not a route"),
    ("[page]\nport = 0", 2, "1 to 65535 is allowed"),
    ('[page]\nnames = [1]', 2, "1 in the list is not a text in quotes"),
    ('[page]\naddress = "shed.local:8737"', 2, 'write for example "http://shed.local:8737"'),
    ('[page]\naddress = "http://ada:pw@shed.local"', 2, "is no address of a page"),
    ('[page]\npassphrase = "frog"', 2, "shorter than 8 signs"),
    ('[journal]\npath = "."', 2, "is a folder"),
    ('[mirror]\nurl = "ftp://x"\ntoken = "t"\norg = "o"\nbucket = "b"', 2, "does not begin with http://"),
    ('[mirror]\nurl = "https://x"\norg = "o"\nbucket = "b"', 1, "set EMBERPAIL_INFLUX_TOKEN in the environment"),
    ("[limit]", 1, "limit is not a setting of the file"),
    ("[place\n", 1, "this is not TOML"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "words"), _MISTAKES)
def test_a_mistake_is_told_with_its_line_and_how_to_mend_it(text: str, line: int, words: str) -> None:
    """One mistake gives one sentence, which names the file, the line and the remedy."""
    (problem,) = _problems(text)
    assert problem.startswith(f"emberpail.toml, line {line}: ")
    assert words in problem
    assert "\n" not in problem


def test_all_mistakes_are_told_at_once_from_the_top_down() -> None:
    """A file with several mistakes is mended in one go, in the order of its lines."""
    problems = _problems('[page]\nport = 0\n[place]\naltitude_m = 9000\nnam = "x"\n[[bucket]]\nlitres = -1\n')
    assert [int(re.search(r"line (\d+)", problem).group(1)) for problem in problems] == [2, 4, 5, 6, 7]  # type: ignore[union-attr]


def test_a_file_that_is_not_text_is_told_so(tmp_path: Path) -> None:
    """A file in another encoding is named with the line where it breaks."""
    path = tmp_path / "emberpail.toml"
    path.write_bytes(b'[place]\nname = "Gr\xfcn"\n')
    with pytest.raises(SettingsError, match="line 2: this is not UTF-8 text"):
        load_settings(path, {"HOME": "/"})


def test_a_file_saved_on_another_system_reads_the_same(tmp_path: Path) -> None:
    """A byte order mark and carriage returns do no harm."""
    path = tmp_path / "emberpail.toml"
    path.write_bytes(b'\xef\xbb\xbf[place]\r\nname = "Quillmarsh"\r\n')
    assert load_settings(path, {"HOME": "/"}).site.name == "Quillmarsh"


def test_two_sources_on_one_end_are_refused() -> None:
    """Two readers of one serial port, or two clients of one id at one broker, would rob each other."""
    (serial,) = _problems('[[source]]\nkind = "serial"\n[[source]]\nkind = "serial"')
    assert "two sources use the port auto" in serial
    (mqtt,) = _problems('[[source]]\nkind = "mqtt"\n[[source]]\nkind = "mqtt"\ntopic = "other"')
    assert "two sources use the client_id emberpail" in mqtt
    assert len(_read('[[source]]\nkind = "mqtt"\n[[source]]\nkind = "mqtt"\nclient_id = "two"').sources) == 2


@given(st.text(max_size=200))
def test_no_text_breaks_the_reader(text: str) -> None:
    """Whatever stands in the file, it is read or told in sentences; nothing else is raised."""
    try:
        _read(text)
    except SettingsError as error:
        assert error.problems


_VALUES = st.recursive(
    st.one_of(st.booleans(), st.integers(-9, 99999), st.sampled_from(["1.5", "nan", '"x"', '""', '"${NO}"', '"auto"'])),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=5,
)


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return "[" + ", ".join(map(_toml, value)) + "]" if isinstance(value, list) else str(value)


@given(
    st.sampled_from(["[place]", "[[source]]", "[[bucket]]", "[bucket.probe.core]", "[[person]]", "[page]", "[mirror]"]),
    st.dictionaries(
        st.sampled_from(
            [
                "name", "kind", "port", "host", "baud", "tls", "topic", "litres", "insulation", "routes",
                "waking_hours", "altitude_m", "url", "token", "two_point", "offset_c", "thermocouple", "path", "names",
                "probe", "emergency_number", "username", "password", "ca_file",
            ]
        ),
        _VALUES,
        max_size=6,
    ),
    st.sampled_from(["", '"serial"', '"mqtt"', '"recording"']),
)
def test_no_value_breaks_the_reader(heading: str, values: dict[str, object], kind: str) -> None:
    """A value of any type at any key is read or told in sentences."""
    if kind and heading == "[[source]]":
        values = {**values, "kind": kind}
    text = "\n".join([heading, *(f"{key} = {_toml(value)}" for key, value in values.items())])
    try:
        _read(text)
    except SettingsError as error:
        assert all(problem.startswith("emberpail.toml") for problem in error.problems)


# ---- secrets ----

_CANARY = "c4n4ry-do-not-print"


def test_a_secret_shows_in_no_repr_and_no_sentence() -> None:
    """Passwords, tokens and routes appear neither in the settings' repr nor in a warning nor in a problem."""
    good = (
        f'[[source]]\nkind = "mqtt"\nhost = "far"\nusername = "n"\npassword = "{_CANARY}"\n'
        f'[[person]]\nname = "Ada"\nroutes = ["json://{_CANARY}@host"]\n'
        f'[mirror]\nurl = "http://far"\ntoken = "{_CANARY}"\norg = "o"\nbucket = "b"\n'
    )
    settings = settings_from_text(good, _FILE, {"HOME": "/"}, others_may_read=True)
    assert _CANARY not in repr(settings) + str(settings) + "".join(settings.warnings)
    assert len(settings.warnings) == 3  # broker without TLS, mirror without TLS, readable by others
    bad = f'[[person]]\nname = "Ada"\nroutes = ["{_CANARY}", 3]\n[mirror]\nurl = "x://u:{_CANARY}@h"\ntoken = 3\n'
    assert _CANARY not in "".join(_problems(bad))


def test_a_readable_file_with_a_secret_in_it_is_warned_of(tmp_path: Path) -> None:
    """A file that holds a secret and that others may read is named with the command that mends it."""
    path = tmp_path / "emberpail.toml"
    path.write_text('[[person]]\nname = "Ada"\nroutes = ["json://user:pw@far"]\n')
    os.chmod(path, 0o644)
    assert any(f"chmod 600 {path}" in warning for warning in load_settings(path, {"HOME": "/"}).warnings)
    os.chmod(path, 0o600)
    assert load_settings(path, {"HOME": "/"}).warnings == ()
    path.write_text('[[person]]\nname = "Ada"\nroutes = ["${ROUTE}"]\n')
    os.chmod(path, 0o644)
    assert load_settings(path, {"HOME": "/", "ROUTE": "json://user:pw@far"}).warnings == ()


# ---- reminders ----


def test_reminders_come_by_day_unless_said_otherwise() -> None:
    """Without a word about them reminders are on, keep to waking hours, and go to everybody who knows the trade."""
    settings = _read('[[person]]\nname = "Ada"\nroutes = ["json://ada"]')
    assert settings.reminders == s.ReminderSettings(enabled=True, evening_minute=None, at_night=False)
    assert settings.people[0].reminders


def test_reminders_can_be_set() -> None:
    """Off, another evening, at night too, and off for one person alone."""
    settings = _read(
        '[reminders]\nenabled = false\nevening_at = "9:05"\nat_night = true\n'
        '[[person]]\nname = "Ada"\nroutes = ["json://ada"]\nreminders = false'
    )
    assert settings.reminders == s.ReminderSettings(enabled=False, evening_minute=545, at_night=True)
    assert not settings.people[0].reminders


@pytest.mark.parametrize("evening", ["24:00", "9", "21.00", "-1:00", "evening", "٢١:٠٠"])
def test_an_evening_that_is_no_time_of_day_is_told(evening: str) -> None:
    """One sentence that names the key, the section, the range and an example."""
    with pytest.raises(SettingsError) as caught:
        _read(f'[reminders]\nevening_at = "{evening}"')
    (sentence,) = caught.value.problems
    assert "evening_at in [reminders]" in sentence
    assert 'no time from 00:00 to 23:59; write for example evening_at = "21:00"' in sentence


# ---- the boiling point at an altitude ----


@pytest.mark.parametrize(
    ("altitude_m", "hpa"), [(0, 1013.25), (500, 954.61), (1000, 898.75), (2000, 794.95), (3000, 701.08), (5000, 540.20)]
)
def test_pressure_agrees_with_the_standard_atmosphere(altitude_m: float, hpa: float) -> None:
    """ISO 2533 / ICAO Doc 7488, table of pressure over geopotential altitude (values from memory)."""
    assert s.pressure_hpa(altitude_m) == pytest.approx(hpa, abs=0.01)


@pytest.mark.parametrize(("mpa", "kelvin"), [(0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488)])
def test_saturation_temperature_agrees_with_iapws(mpa: float, kelvin: float) -> None:
    """IAPWS-IF97 release, table 36: check values of the backward equation, to 9 digits (from memory)."""
    assert s._saturation_temperature_k(mpa) == pytest.approx(kelvin, abs=1e-6)


@pytest.mark.parametrize(("altitude_m", "boils_c"), [(0, 100.0), (1500, 95.0), (3000, 90.0), (-430, 101.4)])
def test_water_boils_earlier_higher_up(altitude_m: float, boils_c: float) -> None:
    """Common knowledge of the kitchen: about 1 K for every 300 m."""
    assert s.boiling_point_c(altitude_m) == pytest.approx(boils_c, abs=0.2)


def test_the_limit_of_too_hot_follows_the_altitude() -> None:
    """At 1500 m the limit is 90 °C, the local boiling point less 5 K, and not 95."""
    assert _read("[place]\naltitude_m = 1500").place().too_hot_c == pytest.approx(90.0, abs=0.2)
    assert _read("[place]\naltitude_m = 0").place().too_hot_c == 95.0


def test_a_siren_button_needs_a_name_and_a_password(tmp_path: Path) -> None:
    """Without them anybody in the network could answer an alarm."""
    path = tmp_path / "emberpail.toml"
    path.write_text('[siren]\nhost = "localhost"\nbutton = true\n')
    with pytest.raises(SettingsError) as caught:
        load_settings(path, environ={})
    assert "button" in caught.value.problems[0] and "username" in caught.value.problems[0]
    path.write_text('[siren]\nusername = "watch"\npassword = "${SIREN}"\nbutton = true\n')
    siren = load_settings(path, environ={"SIREN": "pass word"}).siren
    assert siren is not None and siren.button and siren.name == "siren"


@pytest.mark.parametrize(
    "text",
    ["a = " + "[" * 3000, "[page]\nport = " + "9" * 5000, "[page]\nport = 0x" + "f" * 5000, "at = 2026-03-14T25:61:00"],
)
def test_a_file_made_to_break_readers_is_one_sentence(text: str) -> None:
    """Python's reader of TOML raises more than it says: recursion, thousands of digits, a time that cannot be."""
    (problem,) = _problems(text)
    assert problem.startswith("emberpail.toml") and len(problem) < 300


def test_a_number_beyond_any_range_names_its_key_and_line() -> None:
    """TOML knows whole numbers of 64 bits; a longer one is out of range like any other."""
    altitude, port = _problems("[place]\naltitude_m = " + "9" * 400 + "\n[page]\nport = 0x" + "f" * 300 + "\n")
    assert "line 2" in altitude and "altitude_m" in altitude and "out of range" in altitude
    assert "line 4" in port and "port" in port


def test_what_was_typed_comes_back_on_one_line_of_a_length_to_be_read() -> None:
    """A sentence quotes what is wrong; signs that garble a screen are shown as a mark, and a page of text is cut."""
    garbled, long = _problems('[place]\nunits = "\\u001b[2J\\n"\n[[source]]\nkind = "' + "A" * 5000 + '"\n')
    assert garbled.isprintable() and "\N{REPLACEMENT CHARACTER}" in garbled
    assert len(long) == 1000 and long.endswith("...")
