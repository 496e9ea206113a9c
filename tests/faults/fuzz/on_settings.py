"""The text of a settings file: checked settings, or sentences that each say one thing and no secret."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

import monitor.settings
from monitor.settings import Settings, SettingsError, settings_from_text
from monitor.watch_parts import people_of, probe_settings
from tests.faults.fuzz.target import Target
from tests.faults.fuzz.words_of_toml import WORDS, one_sentence

PATH = Path("/nowhere/emberpail.toml")
# A text that stands for a secret wherever one belongs; it must never come back out of a sentence.
CANARY = "canary-quillmarsh-77"
_ENVIRONMENT = {
    "HOME": "/nowhere",
    "EMBERPAIL_MQTT_PASSWORD": f"mqtt-{CANARY}",
    "EMBERPAIL_INFLUX_TOKEN": f"influx-{CANARY}",
    "EMBERPAIL_PAGE_PASSPHRASE": f"page {CANARY}",
    "ADA_PHONE_ROUTE": f"json://{CANARY}@localhost/",
}
_SECRET_KEYS = ("password", "token", "passphrase", "routes")


def one(data: bytes) -> None:
    """Settings that can be used, or a SettingsError whose every problem is one sentence without a secret."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return  # load_settings refuses such a file in a sentence of its own; a plain test holds it
    try:
        settings = settings_from_text(text, PATH, _ENVIRONMENT, others_may_read=True)
    except SettingsError as error:
        sentences, settings = error.problems, None
        assert sentences
    else:
        sentences = settings.warnings
    for sentence in sentences:
        one_sentence(sentence, str(PATH))
    if not _canary_elsewhere(text):
        for sentence in sentences:
            assert CANARY not in sentence, f"a secret in a sentence: {sentence}"
        assert CANARY not in repr(settings)
    if settings is not None:
        _usable(settings)


def _usable(settings: Settings) -> None:
    """What the program asks of settings at its start does not fail."""
    settings.local_time(1773480000.0)
    settings.place()
    people_of(settings)
    probe_settings(settings)


def _canary_elsewhere(text: str) -> bool:
    """Whether the canary stands anywhere but where secrets stand, so that a sentence may well hold it.

    A variable of the environment does, too, where it is asked for in a text that is no secret.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError):
        return False
    # Texts alone: a number of thousands of digits cannot even be written down.
    return any(CANARY in value or "${" in value for value in _open_texts(data) if isinstance(value, str))


def _open_texts(top: object) -> Iterator[object]:
    """Every key, and every value that is not under the key of a secret."""
    # Not by recursion: a key of a thousand dots is a thousand tables deep.
    waiting: list[tuple[object, str]] = [(top, "")]
    while waiting:
        value, key = waiting.pop()
        if isinstance(value, dict):
            yield from value
            waiting += [(inner, name) for name, inner in value.items()]
        elif key not in _SECRET_KEYS:
            if isinstance(value, list):
                waiting += [(inner, key) for inner in value]
            else:
                yield value


@cache
def _sample() -> str:
    return (Path(monitor.settings.__file__).parent / "sample_settings.toml").read_text(encoding="utf-8")


def seeds() -> Sequence[bytes]:
    """The sample, whole, with its commented lines live, and cut into its tables."""
    sample = _sample()
    live = "\n".join(_uncommented(line) for line in sample.splitlines())
    secrets = (
        f'[[source]]\nkind = "mqtt"\nhost = "shed.example"\nusername = "ada"\npassword = "{CANARY}"\n'
        f'[[person]]\nname = "Ada"\nroutes = ["json://{CANARY}@shed.example/", "${{ADA_PHONE_ROUTE}}"]\n'
        f'[page]\npassphrase = "{CANARY}"\n[mirror]\nurl = "http://localhost:8086"\ntoken = "{CANARY}"\norg = "q"\n'
        f'bucket = "b"\n[siren]\nhost = "shed.example"\npassword = "{CANARY}"\n'
    )
    tables = [part for part in live.split("\n\n") if "=" in part]
    return [sample.encode(), live.encode(), secrets.encode(), *(table.encode() for table in tables)]


def _uncommented(line: str) -> str:
    plain = line.removeprefix("# ")
    looks_live = plain.startswith("[") or (" = " in plain and plain.split(" = ")[0].isidentifier())
    return plain if looks_live else line


_OWN = (
    b"[place]", b"[[source]]", b"[[bucket]]", b"[bucket.probe.core]", b"[[person]]", b"[reminders]", b"[drill]",
    b"[page]", b"[siren]", b"[journal]", b"[mirror]", b"name", b"kind", b"port", b"baud", b"host", b"tls",
    b"password", b"routes", b"time_zone", b"two_point", b"offset_c", b"waking_hours", b"on_call", b"altitude_m",
    b"emergency_number", b"language", b'"mqtt"', b'"serial"', b'"recording"', b'"es"', b'"us"', b'"Europe/Berlin"',
    b'"../../etc/passwd"', b'"24:00"', b"${EMBERPAIL_MQTT_PASSWORD}", b"${NOT_SET}", CANARY.encode(),
    b"passphrase = ", b"[[0.6, 0.0], [98.9, 100.0]]",
)  # fmt: skip

TARGET = Target("settings", one, seeds, (*WORDS, *_OWN), longest=6000)
