"""emberpail.toml and the environment -> checked, frozen settings.

Reading a file by hand, key by key, buys one thing that a library does not give: every mistake in the file is told
at once, each in one sentence that says which key, on which line, what is allowed and how to mend it. A grower
with a phone in one hand mends a file once, not eight times.

``load_settings`` is the way in. ``SettingsError`` holds the sentences; ``Settings.warnings`` holds what is allowed
but unwise. A secret (password, token, phone route) never shows in a ``repr`` or in a sentence.
"""

from __future__ import annotations

import difflib
import math
import os
import re
import stat
import zoneinfo
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from itertools import starmap
from pathlib import Path
from urllib.parse import urlsplit

from monitor.domain import INSULATIONS, PROBES, Place
from monitor.file_group import writing_group
from monitor.languages import LANGUAGES, language_of, voice_for
from monitor.sensing.division import Division, faults
from monitor.sensing.senml import ProbeSettings as DecoderProbeSettings
from monitor.sensing.supply import MOST_V, SupplyLimits
from monitor.sensing.thermocouple import STRAIGHT_LINE_UV_PER_C
from monitor.toml_tables import (
    MISSING,
    NotTomlError,
    Reader,
    Secret,
    Table,
    WakingHours,
    line_numbers,
    one_line,
    toml_of,
)
from monitor.words import METRIC, UNIT_SYSTEMS, Voice, speaking, tr, voice

SETTINGS_NAME = "emberpail.toml"
SETTINGS_VARIABLE = "EMBERPAIL_SETTINGS"
MQTT_PASSWORD_VARIABLE = "EMBERPAIL_MQTT_PASSWORD"  # nosec B105 # a name, no secret
INFLUX_TOKEN_VARIABLE = "EMBERPAIL_INFLUX_TOKEN"  # nosec B105 # a name, no secret
HEARTBEAT_VARIABLE = "EMBERPAIL_HEARTBEAT_URL"
WATCH_VARIABLE = "EMBERPAIL_WATCH"
# Stands for the watch's name in the heartbeat's address.
WATCH_IN_ADDRESS = "{watch}"
METRICS_TOKEN_VARIABLE = "EMBERPAIL_METRICS_TOKEN"  # nosec B105 # a name, no secret
PAGE_PASSPHRASE_VARIABLE = "EMBERPAIL_PAGE_PASSPHRASE"  # nosec B105 # a name, no secret
LEAST_PASSPHRASE = 8
# Nobody types it, and guessing it is not counted.
LEAST_TOKEN = 16
# A younger batch may still be talked about, and compared with the next ones reading by reading.
LEAST_RAW_DAYS = 30
# A farm's settings are some kilobytes.
MOST_SETTINGS_BYTES = 1_000_000

# One lithium cell under a light load, measured before its converter (common practice): 4.2 V full, 3.7 V half, 3.6 V
# with a fifth left, 3.2 V all but empty; its own guard cuts it off at 2.5 to 3.0 V. A USB supply comes near neither.
DEFAULT_SUPPLY_LOW_V = 3.6
DYING_SHARE = 3.2 / 3.6

DEFAULT_PAGE_PORT = 8737
DEFAULT_TOPIC = "emberpail/+/readings"  # the wire format's topic, for every node
THERMOCOUPLES = ("K", "T", "J", "N")
AMPLIFIERS = ("linear", "straight-line")
# The characters RFC 8428 section 4.5.1 allows in a name; "/" parts bucket from probe, so it is left out here.
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_BUCKET_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:._-]{0,63}")
_BUCKET_PATTERN = re.compile(r"[A-Za-z0-9:._*?-]{1,64}")
# It becomes a part of client ids (23 letters are what every broker takes), topics and names of files.
_WATCH_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,11}")
# What holds a secret in one of the tables.
_HOLD_SECRETS = ("password", "passphrase", "token", "metrics_token", "routes", "url")
_TIME_OF_DAY = re.compile(r"([01]?[0-9]|2[0-3]):[0-5][0-9]")
_EMERGENCY_NUMBER = re.compile(r"\+?[0-9][0-9 ]{1,19}")


class SettingsError(ValueError):
    """The settings cannot be used. ``problems`` holds one sentence for each thing to mend."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


@dataclass(frozen=True, slots=True)
class SiteSettings:
    """Where the buckets stand. ``altitude_m`` and ``time_zone`` are None when nobody said.

    ``language`` is "" when nobody said: then that of the environment is spoken. ``units``: "metric" or "us".
    """

    name: str = "the shed"
    emergency_number: str = "112"
    altitude_m: float | None = None
    time_zone: str | None = None
    waking_hours: WakingHours = field(default_factory=WakingHours)
    language: str = ""
    units: str = METRIC

    def voice(self, language: str = "", units: str = "") -> Voice:
        """The voice of the place, or of somebody there who asked for another language or other units."""
        return voice_for(language or self.language or language_of(os.environ), units or self.units)


@dataclass(frozen=True, slots=True)
class SerialSource:
    """A node on a wire. ``port`` is a path, a USB serial number or "auto"; ``bucket`` names what it sends bare.

    ``watch``, of any source: the one watch of a divided site that reads it; "" for all of them.
    """

    name: str
    port: str = "auto"
    baud: int = 115200
    bucket: str | None = None
    watch: str = ""


@dataclass(frozen=True, slots=True)
class MqttSource:
    """Nodes behind a broker."""

    name: str
    host: str = "localhost"
    port: int = 1883
    tls: bool = False
    ca_file: Path | None = None
    username: str | None = None
    password: Secret | None = None
    topic: str = DEFAULT_TOPIC
    client_id: str = "emberpail"
    bucket: str | None = None
    watch: str = ""

    @property
    def where(self) -> str:
        """The broker's address as a person writes it."""
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class RecordingSource:
    """A recording played as if it came over the wire."""

    name: str
    path: Path
    bucket: str | None = None
    watch: str = ""


Source = SerialSource | MqttSource | RecordingSource


@dataclass(frozen=True, slots=True)
class ProbeSettings(DecoderProbeSettings):
    """One probe's settings as the decoder wants them, with the name of the probe they are for.

    The file's two points (ice water and hot water, shown and true) are kept as ``gain`` and ``offset_c``; ``checked``
    is the day on which they were taken, None when nobody said.
    """

    probe: str = "core"
    checked: date | None = None


@dataclass(frozen=True, slots=True)
class BucketSettings:
    """A vessel that stays while batches come and go. ``litres`` is its brim volume; ``supply``: below which voltages
    of its node's supply somebody is told.
    """

    name: str
    litres: float | None = None
    insulation: str = "bare"
    probes: tuple[ProbeSettings, ...] = ()
    supply: SupplyLimits = field(default_factory=lambda: SupplyLimits(DEFAULT_SUPPLY_LOW_V, 3.2))


@dataclass(frozen=True, slots=True)
class Person:
    """Someone to ring, in the order of the file. ``routes`` are Apprise URLs, which hold secrets.

    Who does not know the trade is only asked to look, and is not told of what can wait. ``language`` and ``units``
    are "" for those of the place. ``reminders``: whether the steps of the trade are told, too. ``on_call`` holds the
    weekdays (Monday is 0) whose nights are theirs.
    """

    name: str
    routes: tuple[Secret, ...] = ()
    waking_hours: WakingHours = field(default_factory=WakingHours)
    knows_the_trade: bool = True
    language: str = ""
    units: str = ""
    reminders: bool = True
    on_call: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ReminderSettings:
    """Whether the tool reminds of the steps. ``evening_minute``: when the evening's word comes, in minutes after local
    midnight; None is an hour before each person's waking hours end. ``at_night``: also outside waking hours.
    ``morning_minute``: when the night is told of; None for never.
    """

    enabled: bool = True
    evening_minute: int | None = None
    at_night: bool = False
    morning_minute: int | None = 7 * 60


@dataclass(frozen=True, slots=True)
class DrillSettings:
    """When the weekly drill rings: ``day`` (Monday is 0, None for never) and ``minute`` after local midnight."""

    day: int | None = 6
    minute: int = 18 * 60


@dataclass(frozen=True, slots=True)
class PageSettings:
    """Where the status page listens. "127.0.0.1" is this computer only; "0.0.0.0" lets the local network read it.

    ``address`` is where a phone finds it ("http://shed.local:8737"), for the code on a label; "" when nobody said.
    Without ``passphrase`` the page only shows. Unless ``open_to_read`` it shows only to those who gave it. With
    ``metrics_token`` the figures for programs ask for it.
    """

    host: str = "127.0.0.1"
    port: int = DEFAULT_PAGE_PORT
    names: tuple[str, ...] = ()
    address: str = ""
    passphrase: Secret | None = None
    open_to_read: bool = True
    metrics_token: Secret | None = None


@dataclass(frozen=True, slots=True)
class SirenSettings:
    """The broker that tells a lamp and buzzer at the bed. ``button``: whether its answers count."""

    name: str = "siren"
    host: str = "localhost"
    port: int = 1883
    tls: bool = False
    ca_file: Path | None = None
    username: str | None = None
    password: Secret | None = None
    client_id: str = "emberpail-siren"
    button: bool = False


@dataclass(frozen=True, slots=True)
class HeartbeatSettings:
    """Where the watch says that it is well, so that its silence rings: a web address that is asked every ``every_min``
    minutes, and a topic on the first MQTT source's broker; None and "" for neither.
    """

    url: Secret | None = None
    every_min: int = 5
    topic: str = ""


@dataclass(frozen=True, slots=True)
class MirrorSettings:
    """Where the copy of readings and results goes. ``ca_file``: who signed the server's certificate, where that is
    nobody the system knows."""

    url: str
    token: Secret
    org: str
    bucket: str
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True)
class KeepSettings:
    """How the journal is kept.

    ``backup_to``: the folder of the nightly backups, None for none; ``backup_minute``: when, in minutes after local
    midnight; ``backups``: how many stay. ``raw_days``: so many days after its end the raw readings of a batch are
    thinned, None for never. ``copy_to``: where a copy follows each commit, for a machine that takes over; None for
    nowhere.
    """

    backup_to: Path | None = None
    backup_minute: int = 3 * 60 + 30
    backups: int = 14
    raw_days: int | None = None
    copy_to: Path | None = None


@dataclass(frozen=True, slots=True)
class Settings:
    """All that the file and the environment say, checked. ``file`` is None when there was no file."""

    file: Path | None = None
    site: SiteSettings = field(default_factory=SiteSettings)
    sources: tuple[Source, ...] = ()
    buckets: tuple[BucketSettings, ...] = ()
    people: tuple[Person, ...] = ()
    page: PageSettings = field(default_factory=PageSettings)
    journal_path: Path = Path("journal.sqlite")
    mirror: MirrorSettings | None = None
    warnings: tuple[str, ...] = ()
    reminders: ReminderSettings = field(default_factory=ReminderSettings)
    siren: SirenSettings | None = None
    drill: DrillSettings = field(default_factory=DrillSettings)
    heartbeat: HeartbeatSettings = field(default_factory=HeartbeatSettings)
    keep: KeepSettings = field(default_factory=KeepSettings)
    division: Division = field(default_factory=Division)
    division_faults: tuple[str, ...] = ()
    learning: bool = True  # whether a batch begins with what earlier ones taught

    def place(self) -> Place:
        """What the place adds to the physics."""
        return Place() if self.site.altitude_m is None else Place(boiling_point_c(self.site.altitude_m))

    def bucket(self, name: str) -> BucketSettings:
        """The bucket's settings, or plain ones when the file does not name it."""
        return next((bucket for bucket in self.buckets if bucket.name == name), BucketSettings(name))

    def local_time(self, unix_s: float) -> datetime:
        """A time on the clock of the place, aware: the named zone, or the system's own."""
        zone = None if self.site.time_zone is None else zoneinfo.ZoneInfo(self.site.time_zone)
        return datetime.fromtimestamp(unix_s, UTC).astimezone(zone)

    @property
    def no_phone(self) -> bool:
        """Whether nobody can be rung."""
        return not any(person.routes for person in self.people)

    def as_watch(self, name: str) -> Settings:
        """What the watch ``name`` of a divided site goes by: its own buckets and sources, and names of its own
        wherever two watches would meet: journal, client ids, topics, heartbeat. SettingsError for an unknown one.
        """
        if not name:
            return self
        known = self.division.names
        if not _WATCH_NAME.fullmatch(name) or (known and name not in known):
            raise SettingsError([_no_such_watch(name, known)])
        division = replace(self.division, own=name)
        first = not known or name == known[0]
        url = self.heartbeat.url
        return replace(
            self,
            division=division,
            buckets=tuple(bucket for bucket in self.buckets if division.minds(bucket.name)),
            sources=tuple(
                replace(source, client_id=f"{source.client_id}-{name}") if isinstance(source, MqttSource) else source
                for source in self.sources
                if source.watch in ("", name)
            ),
            # A lamp is told by one watch: two would write over each other what it is to sound for.
            siren=self.siren if first else None,
            heartbeat=replace(
                self.heartbeat,
                url=None if url is None else Secret(url.reveal().replace(WATCH_IN_ADDRESS, name)),
                topic=f"{self.heartbeat.topic}/{name}" if self.heartbeat.topic else "",
            ),
            journal_path=self.journal_path.with_name(f"{self.journal_path.stem}-{name}{self.journal_path.suffix}"),
        )


def _no_such_watch(name: str, known: Sequence[str]) -> str:
    if known:
        return tr('There is no watch "{name}" under [watch.minds]; it has {known}.', name=name, known=", ".join(known))
    return tr(
        '"{name}" cannot be the name of a watch: small letters, digits and -, 12 at the most, such as north.', name=name
    )


def pressure_hpa(altitude_m: float) -> float:
    """Air pressure of the standard atmosphere at an altitude, hPa, up to 11 km.

    ISO 2533 / ICAO Doc 7488: p = 1013.25 (1 - 0.0065 h / 288.15)^5.25588 (constants from memory; the test holds the
    result against the published table).
    """
    return float(1013.25 * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588)


def boiling_point_c(altitude_m: float) -> float:
    """Boiling point of water in the standard atmosphere at an altitude, degrees Celsius, to 0.1 K.

    The pressure's saturation temperature by the backward equation of IAPWS-IF97, region 4 (equation 31); the
    coefficients are from memory, and the test holds them against the release's own check values.
    """
    return round(_saturation_temperature_k(pressure_hpa(altitude_m) * 1e-4) - 273.15, 1)


def _saturation_temperature_k(pressure_mpa: float) -> float:
    n1, n2, n3, n4 = 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5
    n5, n6, n7, n8 = -0.32325550322333e7, 0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6
    n9, n10 = -0.23855557567849, 0.65017534844798e3
    beta = float(pressure_mpa**0.25)
    e = beta * beta + n3 * beta + n6
    f = n1 * beta * beta + n4 * beta + n7
    g = n2 * beta * beta + n5 * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    return (n10 + d - math.sqrt((n10 + d) ** 2 - 4.0 * (n9 + n10 * d))) / 2.0


def default_journal_path(environ: Mapping[str, str]) -> Path:
    """The journal's place when the file names none: the user's data folder of the XDG base directory rules."""
    base = environ.get("XDG_DATA_HOME", "")
    # The rules say that a relative path there is to be ignored.
    folder = Path(base) if base.startswith("/") else _home(environ) / ".local" / "share"
    return folder / "emberpail" / "journal.sqlite"


def _home(environ: Mapping[str, str]) -> Path:
    return Path(environ["HOME"]) if environ.get("HOME") else Path.home()


def find_settings_file(
    chosen: Path | str | None = None, environ: Mapping[str, str] | None = None, folder: Path | None = None
) -> Path | None:
    """The file to read: the one chosen, $EMBERPAIL_SETTINGS, ./emberpail.toml, the user's own; None if there is none.

    A file that was chosen and is not there is an error, not a reason to take another.
    """
    environ = os.environ if environ is None else environ
    named, how = (chosen, "--settings") if chosen else (environ.get(SETTINGS_VARIABLE), f"${SETTINGS_VARIABLE}")
    if named:
        path = Path(named).expanduser()
        if not path.is_file():
            raise SettingsError(
                [
                    tr(
                        "There is no settings file {path} ({how} names it): correct the path or leave it out.",
                        path=path,
                        how=how,
                    )
                ]
            )
        return path
    config = environ.get("XDG_CONFIG_HOME", "")
    config_folder = Path(config) if config.startswith("/") else _home(environ) / ".config"
    for path in ((folder or Path.cwd()) / SETTINGS_NAME, config_folder / "emberpail" / SETTINGS_NAME):
        if path.is_file():
            return path
    return None


def load_settings(
    chosen: Path | str | None = None,
    environ: Mapping[str, str] | None = None,
    folder: Path | None = None,
    watch: str | None = None,
    group_of: Callable[[os.stat_result], str] = writing_group,
) -> Settings:
    """Find, read and check the settings; with no file, the defaults, which have no source.

    ``watch`` names the watch that this is, where the buckets are divided; else $EMBERPAIL_WATCH or the file does.
    ``group_of`` says which group of users may write a file in such a state, "" for none.
    Raises SettingsError with every problem found.
    """
    environ = os.environ if environ is None else environ
    path = find_settings_file(chosen, environ, folder)
    if path is None:
        return Settings(journal_path=default_journal_path(environ))
    try:
        with path.open("rb") as file:
            state = os.fstat(file.fileno())
            raw = file.read(MOST_SETTINGS_BYTES + 1)
    except OSError as error:
        raise SettingsError(
            [
                tr(
                    "{path} cannot be read ({reason}): see that you own it (ls -l {path}).",
                    path=path,
                    reason=error.strerror,
                )
            ]
        ) from None
    unfit = _unfit(path, len(raw), state)
    if unfit:
        raise SettingsError([unfit])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise SettingsError(
            [tr("{path}, line {line}: this is not UTF-8 text; save the file as UTF-8.", path=path, line=line)]
        ) from None
    settings = settings_from_text(
        text, path, environ, others_may_read=bool(state.st_mode & 0o044), written_by=group_of(state)
    )
    return settings.as_watch(watch or environ.get(WATCH_VARIABLE, "") or settings.division.own)


def _unfit(path: Path, size: int, state: os.stat_result) -> str | None:
    """Why a file is not even looked into: whoever can write it says whom the watch rings and what it believes."""
    if size > MOST_SETTINGS_BYTES:
        return tr("{path} is larger than 1 MB: that is no settings file; name another.", path=path)
    if stat.S_ISREG(state.st_mode) and state.st_uid not in (0, os.geteuid()):
        return tr(
            "{path} belongs to another user of this computer, who could change whom Emberpail rings: "
            "make it yours (sudo chown $USER {path}), or root's.",
            path=path,
        )
    if state.st_mode & stat.S_IWOTH:
        return tr(
            "{path} can be written by every user of this computer, who could change whom Emberpail rings: "
            "chmod 600 {path}",
            path=path,
        )
    return None


def settings_from_text(
    text: str, path: Path, environ: Mapping[str, str], *, others_may_read: bool = False, written_by: str = ""
) -> Settings:
    """Check the text of a settings file; ``path`` is for the sentences and for relative paths in it.

    ``written_by`` is a group of users who may write it, besides its owner; "" for none.
    """
    try:
        data = toml_of(text)
    except NotTomlError as error:
        at = tr(", line {line}", line=error.line) if error.line else ""
        raise SettingsError(
            [
                tr(
                    '{path}{at}: this is not TOML ({what}); texts stand in "quotes", every key on its own line.',
                    path=path,
                    at=at,
                    what=one_line(error.what),
                )
            ]
        ) from None
    # A mistake in the file is told in the language that the file asks for.
    with speaking(_voice_asked_for(data)):
        reader = Reader(path, line_numbers(text), environ)
        settings = _read_all(Table(reader, data, ()), path, environ)
        if reader.problems:
            # In the order of the file, so that one can mend from the top down.
            raise SettingsError([sentence for _, sentence in sorted(reader.problems, key=lambda problem: problem[0])])
        warnings = reader.warnings
        if others_may_read and reader.holds_secret:
            warnings.append(
                tr(
                    "{path} holds a password, token or phone route, and other users of this computer can read it: "
                    "chmod 600 {path}",
                    path=path,
                )
            )
        if written_by:
            warnings.append(
                tr(
                    "{path} can be written by everybody in the group {group}, who could change whom Emberpail rings: "
                    "chmod g-w {path}",
                    path=path,
                    group=written_by,
                )
            )
        return replace(settings, warnings=tuple(map(one_line, warnings)))


def _voice_asked_for(data: Mapping[str, object]) -> Voice:
    """The voice of the language in [place], as far as it can be spoken; else the one that speaks now."""
    place = data.get("place")
    language = place.get("language") if isinstance(place, dict) else None
    return voice_for(language, voice().units) if isinstance(language, str) and language in LANGUAGES else voice()


# ---- the sections -------------------------------------------------------------------------------------------------


def _read_all(top: Table, path: Path, environ: Mapping[str, str]) -> Settings:
    site = _read_place(top.table("place"))
    buckets = tuple(_read_bucket(table) for table in top.tables("bucket"))
    _tell_twins(top.reader, "bucket", [bucket.name for bucket in buckets])
    known = [bucket.name for bucket in buckets]
    division = _read_watch(top.table("watch"))
    source_tables = top.tables("source")
    sources = tuple(
        source
        for number, table in enumerate(source_tables)
        if (source := _read_source(table, number, path, known, division.names))
    )
    _tell_shared_ends(top.reader, sources)
    people = tuple(_read_person(table, site) for table in top.tables("person"))
    _tell_twins(top.reader, "person", [person.name for person in people])
    page = _read_page(top.table("page"))
    journal_path = _read_journal(top.table("journal"), path, environ)
    mirror = _read_mirror(top.table("mirror"), path) if top.has("mirror") else None
    top.asked.add("mirror")
    reminders = _read_reminders(top.table("reminders"))
    drill = _read_drill(top.table("drill"))
    siren = _read_siren(top.table("siren"), path) if top.has("siren") else None
    top.asked.add("siren")
    heartbeat = _read_heartbeat(top.table("heartbeat"), sources)
    keep = _read_keep(top.table("keep"), path)
    learning = _read_learning(top.table("learning"))
    top.finish()
    _tell_shared_by_watches(top.reader, division, heartbeat, siren)
    return Settings(
        path, site, sources, buckets, people, page, journal_path, mirror, reminders=reminders, siren=siren, drill=drill,
        heartbeat=heartbeat, keep=keep, division=division, division_faults=tuple(faults(division, known)),
        learning=learning,
    )  # fmt: skip


def _read_learning(table: Table) -> bool:
    enabled = table.flag("enabled", True)
    table.finish()
    return enabled


def _read_watch(table: Table) -> Division:
    own = table.text("name", "", example='"north"', check=_watch_name_fault)
    minds = table.table("minds")
    shares = tuple((name, _read_share(minds, name)) for name in minds.data if not _of_another_table(minds, name))
    minds.finish()
    table.finish()
    if own and shares and own not in dict(shares):
        table.wrong("name", _no_such_watch(own, [name for name, _ in shares]))
        own = ""
    return Division(shares, own)


def _of_another_table(minds: Table, key: str) -> bool:
    """Whether the key holds a secret elsewhere: every name is one of a watch here, and no slip would be told."""
    if key not in _HOLD_SECRETS:
        return False
    minds.asked.add(key)
    minds.wrong(key, tr("it does not belong here; is the heading in brackets above it missing?"))
    return True


def _read_share(minds: Table, name: str) -> tuple[str, ...]:
    # Whatever stands below the wrong heading may be a secret, also under a name with a slip in it: so none is shown.
    patterns = minds.unshown_texts(name, example='["shed-1", "north-*"]')
    for fault in filter(None, (_watch_name_fault(name), *starmap(_bucket_pattern_fault, patterns))):
        minds.wrong(name, tr("{fault}; write for example north = {example}.", fault=fault, example='["shed-1", "n-*"]'))
    return tuple(text for _, text in patterns)


def _watch_name_fault(text: str) -> str | None:
    if _WATCH_NAME.fullmatch(text):
        return None
    return tr('"{text}" is no name of a watch: small letters, digits and - are allowed, 12 at the most', text=text)


def _bucket_pattern_fault(place: int, text: str) -> str | None:
    if _BUCKET_PATTERN.fullmatch(text):
        return None
    return tr(
        "number {place} of the list fits no bucket: it is a name, with * for any letters and ? for one", place=place
    )


def _tell_shared_by_watches(
    reader: Reader, division: Division, heartbeat: HeartbeatSettings, siren: SirenSettings | None
) -> None:
    """What several watches cannot share without one hiding the other."""
    if len(division.shares) < 2:
        return
    if heartbeat.url and WATCH_IN_ADDRESS not in heartbeat.url.reveal():
        reader.warnings.append(
            tr(
                "{path}: all watches call the same heartbeat, so the death of one would show nowhere: put {field} into "
                "the address where their names are to stand.",
                path=reader.path,
                field=WATCH_IN_ADDRESS,
            )
        )
    if siren is not None:
        reader.warnings.append(
            tr(
                "{path}: the siren sounds for the watch {name} alone; the others ring phones only.",
                path=reader.path,
                name=division.names[0],
            )
        )


def _tell_twins(reader: Reader, kind: str, names: list[str]) -> None:
    for number, name in enumerate(names):
        if name and name in names[:number]:
            reader.problem(
                (kind, number),
                tr('[[{kind}]] "{name}" stands in the file twice; give each a name of its own.', kind=kind, name=name),
            )


def _tell_shared_ends(reader: Reader, sources: tuple[Source, ...]) -> None:
    """Two sources on one serial port steal each other's bytes; two MQTT clients of one id throw each other out."""
    seen: dict[tuple[str, str], int] = {}
    for number, source in enumerate(sources):
        if isinstance(source, SerialSource):
            end, words = ("serial", source.port), tr("the port {port}", port=source.port)
        elif isinstance(source, MqttSource):
            end, words = (
                ("mqtt", f"{source.host}:{source.port}/{source.client_id}"),
                tr("the client_id {client_id}", client_id=source.client_id),
            )
        else:
            continue
        if end in seen:
            reader.problem(
                ("source", number),
                tr("two sources use {end}; they would take each other's lines: change one.", end=words),
            )
        seen[end] = number


def _read_place(table: Table) -> SiteSettings:
    default = SiteSettings()
    name = table.text("name", default.name, example='"Quillmarsh allotments"')
    number = table.data.get("emergency_number")
    if isinstance(number, int) and not isinstance(number, bool):  # 112 without quotes is clear enough
        table.data = {**table.data, "emergency_number": str(number)}
    emergency = table.text(
        "emergency_number", default.emergency_number, example='"112"',
        check=lambda text: (
            None if _EMERGENCY_NUMBER.fullmatch(text) else tr('"{text}" is no telephone number', text=text)
        ),
    )  # fmt: skip
    altitude = table.optional_number("altitude_m", low=-450, high=6000, unit=" m", example="120")
    zone = table.text("time_zone", "", example='"Europe/Berlin"', check=_zone_fault) or None
    waking = table.clock_pair("waking_hours", default.waking_hours)
    language = _read_language(table)
    units = table.choice("units", METRIC, UNIT_SYSTEMS)
    table.finish()
    return SiteSettings(name, emergency, altitude, zone, waking, language, units)


def _read_language(table: Table) -> str:
    """The language asked for, "" when none was."""
    return table.choice("language", "", LANGUAGES) if table.has("language") else ""


def _zone_fault(name: str) -> str | None:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = difflib.get_close_matches(name, zoneinfo.available_timezones(), 1)
        hint = tr(" (did you mean {name}?)", name=near[0]) if near else ""
        return tr('"{name}" is no time zone that this computer knows{hint}', name=name, hint=hint)
    return None


def _read_bucket(table: Table) -> BucketSettings:
    name = table.required_text("name", example='"shed-2"', check=_bucket_name_fault)
    litres = table.optional_number("litres", low=0.5, high=1000, unit=" L", example="25")
    insulation = table.choice("insulation", "bare", INSULATIONS)
    probes_table = table.table("probe")
    probes = []
    for probe in PROBES:
        if probes_table.has(probe):
            probes.append(_read_probe(probes_table.table(probe), probe))
        probes_table.asked.add(probe)
    probes_table.finish()
    supply = _read_supply(table)
    table.finish()
    return BucketSettings(name, litres, insulation, tuple(probes), supply)


def _read_supply(table: Table) -> SupplyLimits:
    low_v = table.number("supply_low_v", DEFAULT_SUPPLY_LOW_V, low=0, high=MOST_V, unit=" V", example="3.6")
    dying_v = table.number("supply_dying_v", low_v * DYING_SHARE, low=0, high=MOST_V, unit=" V", example="3.2")
    if not dying_v <= low_v:
        table.wrong("supply_dying_v", tr("it is the lower of the two and cannot lie above supply_low_v."))
    return SupplyLimits(low_v, dying_v)


def _bucket_name_fault(text: str) -> str | None:
    if _BUCKET_NAME.fullmatch(text):
        return None
    return tr(
        '"{text}" cannot travel over the wire: letters, digits and - : . _ are allowed, '
        "a letter or digit first, 64 at the most",
        text=text,
    )


def _read_probe(table: Table, probe: str) -> ProbeSettings:
    thermocouple = table.choice("thermocouple", "K", THERMOCOUPLES)
    amplifier = table.choice("amplifier", AMPLIFIERS[0], AMPLIFIERS)
    slope = table.number("uv_per_c", STRAIGHT_LINE_UV_PER_C, low=1, high=100, unit=" µV/°C", example="41.276")
    # More than 10 K out is no offset: it is the wrong thermocouple type or a broken probe.
    offset_c = table.number("offset_c", 0.0, low=-10, high=10, unit=" °C", example="-0.4")
    line = _read_two_point(table)
    checked = table.take("checked", date, tr("a day"), "2026-11-26")
    if table.has("offset_c") and table.has("two_point"):
        table.wrong("offset_c", tr("two_point already says it; leave one of the two out."))
    table.finish()
    gain, offset_c = (1.0, offset_c) if line is None else line
    day = checked if type(checked) is date else None
    return ProbeSettings(thermocouple, amplifier, slope, gain, offset_c, probe, day)


def _read_two_point(table: Table) -> tuple[float, float] | None:
    """Two pairs (shown, true) -> gain and offset of the straight line through them."""
    example = "[[0.6, 0.0], [98.9, 100.0]]"
    value = table.take("two_point", list, tr("two pairs of numbers"), example)
    if value is MISSING:
        return None
    pairs = [pair for pair in value if isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))]
    if len(value) != 2 or len(pairs) != 2:
        table.wrong(
            "two_point",
            tr("it is not two pairs of shown and true; write for example two_point = {example}.", example=example),
        )
        return None
    (shown_low, true_low), (shown_high, true_high) = sorted((float(shown), float(true)) for shown, true in pairs)
    apart = shown_high - shown_low
    if apart < 10 or not 0.8 <= (true_high - true_low) / apart <= 1.25:
        table.wrong(
            "two_point",
            tr(
                "the two points must lie 10 °C or more apart, and shown and true must rise together "
                "(0.8 to 1.25 °C a °C); each pair is [shown, true], for example two_point = {example}.",
                example=example,
            ),
        )
        return None
    gain = (true_high - true_low) / apart
    return gain, true_low - gain * shown_low


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _read_source(
    table: Table, number: int, path: Path, buckets: list[str], watches: Sequence[str] = ()
) -> Source | None:
    if not table.has("kind"):
        table.reader.problem(table.where, tr('a [[source]] has no kind; add kind = "serial", "mqtt" or "recording".'))
        return None
    kind = table.choice("kind", "", ("serial", "mqtt", "recording"))
    name = table.text("name", f"{kind}-{number + 1}", example='"shed node"')
    bucket = table.optional_text("bucket", example='"shed-2"')
    if bucket and buckets and bucket not in buckets:
        near = difflib.get_close_matches(bucket, buckets, 1)
        hint = (
            tr("did you mean {near}?", near=near[0]) if near else tr("the file has {names}.", names=", ".join(buckets))
        )
        table.wrong("bucket", tr('there is no [[bucket]] "{bucket}": {hint}', bucket=bucket, hint=hint))
    watch = table.choice("watch", "", watches) if watches and table.has("watch") else ""
    source: Source | None
    if kind == "serial":
        port = table.text("port", "auto", example='"/dev/ttyUSB0"')
        source = SerialSource(name, port, table.whole("baud", 115200, low=300, high=4_000_000, example=115200), bucket)
    elif kind == "mqtt":
        source = _read_mqtt(table, name, bucket, path)
    elif kind == "recording":
        recording = table.required_text("path", example='"winter.rec"')
        source = RecordingSource(name, _beside(path, recording), bucket)
    else:
        return None
    table.finish()
    return replace(source, watch=watch)


def _read_mqtt(table: Table, name: str, bucket: str | None, path: Path) -> MqttSource:
    host, port, tls, ca_file, username, password = _read_broker(table, path)
    topic = table.text("topic", DEFAULT_TOPIC, example=f'"{DEFAULT_TOPIC}"', check=_topic_fault)
    client_id = table.text("client_id", "emberpail", example='"emberpail"')
    return MqttSource(name, host, port, tls, ca_file, username, password, topic, client_id, bucket)


def _read_siren(table: Table, path: Path) -> SirenSettings:
    default = SirenSettings()
    name = table.text("name", default.name, example='"bedside"')
    host, port, tls, ca_file, username, password = _read_broker(table, path)
    client_id = table.text("client_id", default.client_id, example=f'"{default.client_id}"')
    button = table.flag("button", default.button)
    if button and (username is None or not password):
        table.wrong(
            "button",
            tr(
                "without a user name and a password for the broker anybody in the network could answer an alarm; add "
                "username and password, and let the broker allow the siren's user alone to write there."
            ),
        )
        button = False
    table.finish()
    return SirenSettings(name, host, port, tls, ca_file, username, password, client_id, button)


def _read_broker(table: Table, path: Path) -> tuple[str, int, bool, Path | None, str | None, Secret | None]:
    """Host, port, tls, ca_file, username and password of a broker."""
    host = table.text("host", "localhost", example='"localhost"', check=_host_fault)
    tls = table.flag("tls", False)
    port = table.whole("port", 8883 if tls else 1883, low=1, high=65535, example=8883 if tls else 1883)
    ca_text = table.optional_text("ca_file", example='"ca.pem"')
    ca_file = _beside(path, ca_text) if ca_text else None
    if ca_file is not None and not tls:
        table.wrong("ca_file", tr("it is of no use without tls; add tls = true."))
    elif ca_file is not None and not ca_file.is_file():
        table.wrong(
            "ca_file",
            tr(
                "there is no file {ca_file}; give the path of the certificate that signed the broker's.",
                ca_file=ca_file,
            ),
        )
    username = table.optional_text("username", example='"emberpail"')
    password = table.secret("password", MQTT_PASSWORD_VARIABLE)
    if table.has("password") and username is None:
        table.wrong("password", tr('a password needs a username; add username = "...".'))
    if password and username is None:
        password = None  # the variable is set for another broker
    if password and not tls and not _is_this_computer(host):
        table.reader.warnings.append(
            tr(
                "{path}: the password for the broker {host} crosses the network bare; tls = true hides it.",
                path=table.reader.path,
                host=host,
            )
        )
    return host, port, tls, ca_file, username, password


def _host_fault(text: str) -> str | None:
    if "@" in text:  # what stands before it may be a password, so none of it is shown
        return tr("it holds a user or password; give those as username and password, and here the bare host name")
    if "://" in text or "/" in text or " " in text:
        return tr(
            '"{text}" is not a bare host name or address: leave out any mqtt:// and path, and give the port as port',
            text=text,
        )
    return None


def _topic_fault(text: str) -> str | None:
    """MQTT 3.1.1 section 4.7.1: "#" only as the last level, "+" only as a whole level."""
    levels = text.split("/")
    if any("#" in level for level in levels[:-1]) or ("#" in levels[-1] and levels[-1] != "#"):
        return tr('in "{text}" the # is not alone at the end', text=text)
    if any("+" in level and level != "+" for level in levels):
        return tr('in "{text}" a + does not stand alone between slashes', text=text)
    return None


def _is_this_computer(host: str | None) -> bool:
    return host in ("localhost", "127.0.0.1", "::1")


def _read_person(table: Table, site: SiteSettings) -> Person:
    name = table.required_text("name", example='"Ada"')
    routes = table.secrets("routes", example='["${MY_ROUTE}"]')
    waking = table.clock_pair("waking_hours", site.waking_hours)
    knows = table.flag("knows_the_trade", True)
    language = _read_language(table)
    units = table.choice("units", "", UNIT_SYSTEMS) if table.has("units") else ""
    reminders = table.flag("reminders", True)
    on_call = _read_nights(table)
    table.finish()
    if name and not routes and not table.data.get("routes"):
        table.reader.warnings.append(
            tr("{path}: {name} has no routes, so {name} cannot be rung.", path=table.reader.path, name=name)
        )
    return Person(name, routes, waking, knows, language, units, reminders, on_call)


def _read_nights(table: Table) -> tuple[int, ...]:
    """The weekdays of ``on_call``."""
    found = [_read_day(table, "on_call", text) for text in table.texts("on_call", example='["mon", "thu"]')]
    return tuple(sorted({day for day in found if day is not None}))


def _read_day(table: Table, key: str, text: str) -> int | None:
    """A weekday, "mon" or "monday": Monday is 0. None where it is none, which is told."""
    day = next((place for place, name in enumerate(_WEEKDAYS) if text.strip().lower() in (name, name[:3])), None)
    if day is None:
        known = ", ".join(name[:3] for name in _WEEKDAYS)
        table.wrong(key, tr('"{text}" is no day of the week; write {known}.', text=text, known=known))
    return day


def _read_drill(table: Table) -> DrillSettings:
    default = DrillSettings()
    text = table.text("day", "sun", example='"sun"', may_be_empty=True)
    day = _read_day(table, "day", text) if text.strip() else None
    at = table.text("at", "18:00", example='"18:00"', check=_time_of_day_fault)
    table.finish()
    minute = _minute_of(at)
    return DrillSettings(day, default.minute if minute is None else minute)


def _read_heartbeat(table: Table, sources: Sequence[Source]) -> HeartbeatSettings:
    default = HeartbeatSettings()
    url = table.secret("url", HEARTBEAT_VARIABLE)
    if url and not re.match(r"https?://[^/\s]", url.reveal(), re.IGNORECASE):
        table.wrong("url", tr("it is no web address; write one that begins with https:// or http://."))
        url = None
    every_min = table.whole("every_min", default.every_min, low=1, high=60, example=5)
    topic = table.text("topic", "", example='"emberpail/watch"', check=_own_topic_fault)
    if topic and not any(isinstance(source, MqttSource) for source in sources):
        table.wrong("topic", tr("there is no [[source]] with a broker to say it to; add one, or leave topic out."))
    table.finish()
    return HeartbeatSettings(url or None, every_min, topic)


def _own_topic_fault(text: str) -> str | None:
    """What is wrong with a topic that we write to."""
    if text and (any(one in text for one in "+#\0") or text.endswith("/readings") or len(text) > 200):
        return tr('"{text}" cannot be written to; name one topic, such as emberpail/watch', text=text)
    return None


def _read_reminders(table: Table) -> ReminderSettings:
    default = ReminderSettings()
    enabled = table.flag("enabled", default.enabled)
    evening = table.text("evening_at", "", example='"21:00"', check=_time_of_day_fault)
    at_night = table.flag("at_night", default.at_night)
    morning = table.text("morning_at", "07:00", example='"07:00"', check=_time_of_day_fault, may_be_empty=True)
    table.finish()
    return ReminderSettings(enabled, _minute_of(evening), at_night, _minute_of(morning))


def _minute_of(text: str) -> int | None:
    """"21:30" as minutes after midnight; None for an empty text."""
    hour, _, minute = text.partition(":")
    return int(hour) * 60 + int(minute) if text else None


def _time_of_day_fault(text: str) -> str | None:
    return None if _TIME_OF_DAY.fullmatch(text) else tr('"{text}" is no time from 00:00 to 23:59', text=text)


def _read_page(table: Table) -> PageSettings:
    default = PageSettings()
    host = table.text("host", default.host, example='"127.0.0.1"', check=_host_fault)
    port = table.whole("port", default.port, low=1, high=65535, example=default.port)
    names = table.texts("names", example='["shed.local"]')
    address = table.text("address", "", example='"http://shed.local:8737"', check=_address_fault).rstrip("/")
    passphrase = table.secret("passphrase", PAGE_PASSPHRASE_VARIABLE)
    if passphrase is not None and passphrase and len(passphrase.reveal().strip()) < LEAST_PASSPHRASE:
        table.wrong(
            "passphrase",
            tr(
                "it is shorter than {least} signs and soon guessed; take three or four words that you can type with "
                "gloves on.",
                least=LEAST_PASSPHRASE,
            ),
        )
        passphrase = None
    token = table.secret("metrics_token", METRICS_TOKEN_VARIABLE)
    if token and len(token.reveal().strip()) < LEAST_TOKEN:
        table.wrong(
            "metrics_token",
            tr("it is shorter than {least} signs and can be guessed; take what openssl rand -hex 16 prints.",
               least=LEAST_TOKEN),
        )  # fmt: skip
        token = None
    open_to_read = table.flag("open_to_read", default.open_to_read)
    if not open_to_read and not passphrase and not table.has("passphrase"):
        table.wrong(
            "open_to_read",
            tr("without a passphrase nobody at all could look; add passphrase, or leave open_to_read out."),
        )
    table.finish()
    # The page answers to the name under which it is to be found.
    known = [*names, urlsplit(address).hostname or ""]
    return PageSettings(
        host, port, tuple(dict.fromkeys(name.lower() for name in known if name)), address, passphrase or None,
        open_to_read, token or None,
    )  # fmt: skip


def _address_fault(text: str) -> str | None:
    try:
        parts = urlsplit(text)
        fine = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        fine = False
    if not fine or parts.username or parts.password or parts.query or parts.fragment or " " in text:
        return tr('it is no address of a page; write for example "http://shed.local:8737"')
    return None


def _read_journal(table: Table, path: Path, environ: Mapping[str, str]) -> Path:
    text = table.optional_text("path", example='"journal.sqlite"')
    table.finish()
    if not text:
        return default_journal_path(environ)
    journal = _beside(path, text)
    if journal.is_dir():
        table.wrong(
            "path",
            tr(
                '{journal} is a folder; name a file in it, for example path = "{folder}/journal.sqlite".',
                journal=journal,
                folder=text.rstrip("/"),
            ),
        )
    return journal


def _read_keep(table: Table, path: Path) -> KeepSettings:
    default = KeepSettings()
    folder = table.optional_text("backup_to", example='"/media/stick/emberpail"')
    at = table.text("backup_at", "03:30", example='"03:30"', check=_time_of_day_fault)
    backups = table.whole("backups", default.backups, low=1, high=1000, example=default.backups)
    raw_days = table.whole("raw_days", 0, low=LEAST_RAW_DAYS, high=36500, example=365) if table.has("raw_days") else 0
    if raw_days and not folder:
        table.wrong(
            "raw_days",
            tr("readings are thinned only where a backup holds them in full: add backup_to, or leave raw_days out."),
        )
        raw_days = 0
    copy_to = table.optional_text("copy_to", example='"/mnt/spare/emberpail"')
    table.finish()
    minute = _minute_of(at)
    return KeepSettings(
        _beside(path, folder) if folder else None,
        default.backup_minute if minute is None else minute,
        backups,
        raw_days or None,
        _beside(path, copy_to) if copy_to else None,
    )


def _read_mirror(table: Table, path: Path) -> MirrorSettings | None:
    url = table.required_text("url", example='"http://localhost:8086"', check=_url_fault)
    token = table.secret("token", INFLUX_TOKEN_VARIABLE)
    if token is None and not table.has("token"):
        table.reader.problem(
            table.where,
            tr(
                '[mirror] has no token; set {variable} in the environment, or add token = "...".',
                variable=INFLUX_TOKEN_VARIABLE,
            ),
        )
    org = table.required_text("org", example='"quillmarsh"')
    bucket = table.required_text("bucket", example='"emberpail"')
    ca_text = table.optional_text("ca_file", example='"ca.pem"')
    ca_file = _beside(path, ca_text) if ca_text else None
    if ca_file is not None and not ca_file.is_file():
        table.wrong(
            "ca_file",
            tr(
                "there is no file {ca_file}; give the path of the certificate that signed the server's.",
                ca_file=ca_file,
            ),
        )
    table.finish()
    if token is None:
        return None
    parts = urlsplit(url)
    if parts.scheme == "http" and not _is_this_computer(parts.hostname):
        table.reader.warnings.append(
            tr(
                "{path}: the mirror's token crosses the network readable; an https:// url hides it.",
                path=table.reader.path,
            )
        )
    return MirrorSettings(url.rstrip("/"), token, org, bucket, ca_file)


def _url_fault(text: str) -> str | None:
    try:
        parts = urlsplit(text)
        _ = parts.port
    except ValueError:
        return tr("it is not an address of the web")
    if parts.scheme not in ("http", "https") or not parts.hostname:
        return (
            tr('"{text}" does not begin with http:// or https:// and a host', text=text)
            if "@" not in text
            else tr("it is not an http(s) address")
        )
    if parts.username or parts.password:
        return tr("it holds a user or password; give the token as token")
    return None


def _beside(settings_file: Path, text: str) -> Path:
    """A path in the file: relative ones are taken from the file's own folder, not from where one happens to stand."""
    path = Path(text).expanduser()
    return path if path.is_absolute() else settings_file.parent / path
