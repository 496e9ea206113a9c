"""The command line as a whole: help, examples, exit codes, bad arguments, start-up."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.cli import _prepared, build_parser, main
from monitor.commands import COMMANDS
from tests.commands.conftest import Shed, assert_one_sentence, shed  # noqa: F401 - the fixture

_JSON_COMMANDS = ("check", "ring", "plan", "start", "mark", "end", "status", "ack", "quiet", "replay")


def _parsers() -> dict[str, object]:
    return next(action for action in build_parser()._actions if action.dest == "command").choices  # type: ignore[return-value]


def test_the_list_of_commands_is_the_list_of_parsers() -> None:
    """Every command that is announced has a parser, and none has a parser without being announced."""
    assert list(_parsers()) == list(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_one_real_example_that_parses(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What stands under "example:" can be typed as it is."""
    assert main([command, "--help"]) == 0
    said = capsys.readouterr().out
    lines = said.split("example:\n")[1].strip().splitlines()
    assert len(lines) == 1
    words = shlex.split(lines[0])
    assert words[0].removeprefix("./") == "emberpail" and words[1] == command
    args = build_parser().parse_args(_prepared(words[1:]))
    assert args.command == command and callable(args.run)


@pytest.mark.parametrize("command", COMMANDS)
def test_the_parser_of_one_command_alone_is_the_same(command: str) -> None:
    """A command is read alone for the sake of a quick start; its options are those of the whole."""
    alone = next(action for action in build_parser(command)._actions if action.dest == "command").choices[command]
    assert alone.format_help() == _parsers()[command].format_help()  # type: ignore[attr-defined]


@pytest.mark.parametrize("command", _JSON_COMMANDS)
def test_what_a_program_may_read_has_json(command: str) -> None:
    """Commands with an answer offer it as JSON."""
    assert "--json" in _parsers()[command].format_help()  # type: ignore[attr-defined]


def test_no_command_prints_the_help_and_gives_2(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing was asked for, so nothing was done."""
    assert main([]) == 2
    assert "COMMAND" in capsys.readouterr().out


def test_version_and_help_give_0(capsys: pytest.CaptureFixture[str]) -> None:
    """Both answer what was asked."""
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("emberpail ")
    assert main(["--help"]) == 0
    said = capsys.readouterr().out
    assert all(command in said for command in COMMANDS)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["statsu"], 'did you mean "status"?'),
        (["brew"], "there are demo, test"),
        (["status", "--sofort"], "--sofort"),
        (["mark"], "bucket"),
        (["plan", "--oil"], "--oil"),
        (["end", "shed-2", "--outcome", "lost"], "--outcome"),
        (["plan", "--insulation", "wool"], "--insulation"),
        (["status", "x" * 10_000], "10000 characters"),
        (["status", "shed\udcff"], "UTF-8"),
        (["status", "a\0b"], "character"),
    ],
)
def test_a_slip_in_the_arguments_gets_one_sentence_and_2(
    shed: Shed, arguments: list[str], words: str  # noqa: F811
) -> None:
    """What is wrong, and where the help is; never the whole usage."""
    said = shed.say(*arguments)
    assert said.code == 2 and said.out == ""
    assert words in said.complaint and "usage:" not in said.err
    assert_one_sentence(said.err)


def test_a_winter_temperature_is_no_option(shed: Shed) -> None:  # noqa: F811
    """--air -5C means what it says."""
    assert shed.ok("plan", "--oil", "sunflower 4.2 kg", "--air", "-5C", "--json").json["air_c"] == -5.0
    assert "is below nothing" in shed.refused("plan", "--oil", "sunflower 4.2 kg", "--koh", "-850g")


def test_a_fault_of_the_program_is_told_as_one(
    shed: Shed, monkeypatch: pytest.MonkeyPatch  # noqa: F811
) -> None:
    """A mistake of ours is not passed off as the grower's, and shows its traceback only when asked."""

    def broken(*_: object, **__: object) -> None:
        raise KeyError("oops")

    monkeypatch.setattr("monitor.commands.status.open_journal_to_read", broken)
    said = shed.say("status")
    assert said.code == 2 and "Emberpail itself failed (KeyError" in said.err and "Traceback" not in said.err
    monkeypatch.setenv("EMBERPAIL_TRACEBACK", "1")
    with pytest.raises(KeyError):
        shed.say("status")


# ---- start-up ------------------------------------------------------------------------------------------------------

_HEAVY = ("scipy", "apprise", "influxdb_client", "starlette", "uvicorn", "paho", "serial", "numpy", "hypothesis")


@pytest.mark.parametrize(
    ("arguments", "allowed"),
    [
        (["--version"], ()),
        (["--help"], ()),
        (["status"], ()),
        (["mark", "shed-2", "blended"], ()),
        (["ack", "shed-2"], ()),
        (["start", "--help"], ()),
        (["plan", "--oil", "sunflower 4.2 kg"], ("numpy",)),
    ],
)
def test_no_command_pays_for_what_it_does_not_use(
    tmp_path: Path, arguments: list[str], allowed: tuple[str, ...]
) -> None:
    """On a small computer each heavy part costs a second or more: it is imported where it is used."""
    code = (
        "import sys\nfrom monitor.cli import main\nmain(sys.argv[1:])\n"
        f"print('LOADED', *[name for name in {_HEAVY!r} if name in sys.modules])"
    )
    env = {"PATH": "/usr/bin:/bin", "HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, env=env, timeout=60, check=True,
        cwd=Path(__file__).parents[1],
    )  # fmt: skip
    loaded = done.stdout.rsplit("LOADED", 1)[1].split()
    assert set(loaded) <= set(allowed)


# ---- anything at all -----------------------------------------------------------------------------------------------

_TEXT = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        ["", " ", "now", "-1", "-5C", "900 %", "9000 kg", "1e400", "nan", "inf", "sunflower 4.2 kg", "lard 3 L", "850g",
         "shed-2", "Quillmarsh 12", "25:61", "tomorrow", "9" * 300, "\t\n", "../..", "/", "{}", "%s%n", "'; --",
         "2026-02-30 10:00", "yesterday 99:99", "\u202e", "½ kg", "1,500 g", "３ kg", "an hour ago", "--json",
         "blended"]
    ),
)  # fmt: skip
_OPTIONS = {
    "plan": ["--oil", "--koh", "--purity", "--water", "--litres", "--insulation", "--scale", "--air", "--mix",
             "--hardness", "--anyway", "--bucket"],
    "start": ["--bucket", "--at", "--oil", "--koh", "--purity", "--water", "--litres", "--dilute-after", "--poured",
              "--anyway", "--from"],
    "mark": ["--at", "--temperature", "--mass", "--text", "--who"],
    "end": ["--at", "--outcome"],
    "ack": ["--who"],
    "quiet": ["--for", "--who"],
    "status": [],
    "replay": ["--batch"],
    "ring": ["--person"],
    "check": [],
}  # fmt: skip


@st.composite
def _command_lines(draw: st.DrawFn) -> list[str]:
    command = draw(st.sampled_from(sorted(_OPTIONS)))
    words = [command, *draw(st.lists(_TEXT, max_size=2))]
    if _OPTIONS[command]:
        for option in draw(st.lists(st.sampled_from(_OPTIONS[command]), max_size=4)):
            words += [option, draw(_TEXT)]
    return words + draw(st.sampled_from([[], ["--json"]]))


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(words=_command_lines())
def test_nothing_that_can_be_typed_breaks_a_command(shed: Shed, words: list[str]) -> None:  # noqa: F811
    """Whatever is typed: an exit code of ours, and in a refusal one sentence; JSON is JSON or nothing."""
    said = shed.say(*words)
    assert said.code in (0, 1, 2)
    assert "Emberpail itself failed" not in said.err, (words, said.err)
    if said.code == 2:
        assert said.out == "", (words, said.out)
        assert_one_sentence(said.err)
    elif "--json" in words:
        assert said.json is not None
