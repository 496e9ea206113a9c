"""``./emberpail``: sets itself up once, quickly hands on afterwards, and says in one line what is missing.

A stand-in for python and pip on a PATH of its own plays the machine; nothing here touches a network.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

_SCRIPT = Path(__file__).parents[1] / "emberpail"
_TOOLS = (
    "sh", "cat", "cksum", "dirname", "mkdir", "rmdir", "rm", "mv", "readlink", "grep", "sleep", "cp", "chmod",
    "sed", "tr",
)  # fmt: skip

# What the script asks of a python, answered by a few lines of shell. FAKE_* in the environment says which machine.
_PYTHON = r"""#!/bin/sh
echo "$0 $*" >> "$FAKE_LOG"
case "$1 $2" in
    "-c import struct, sys;"*) echo "${FAKE_VERSION:-311} ${FAKE_BITS:-64}" ;;
    "-c import ensurepip, venv") [ -z "${FAKE_NO_VENV:-}" ] ;;
    "-c import sys;"*) exit 0 ;;
    "-m venv")
        mkdir -p "$3/bin" && cp "$0" "$3/bin/python" && echo home > "$3/pyvenv.cfg"
        ;;
    "-m pip")
        [ "$3" = install ] || exit 0
        echo "Looking in indexes: a warning of pip's that is nobody's business"
        [ -z "${FAKE_PIP_SECONDS:-}" ] || sleep "$FAKE_PIP_SECONDS"
        [ -z "${FAKE_PIP_FAILS:-}" ] || { echo "$FAKE_PIP_FAILS" >&2; exit 1; }
        venv=$(dirname "$(dirname "$0")")
        printf '#!/bin/sh\nprintf "ran"; printf " [%%s]" "$@"; echo; exit ${FAKE_EXIT:-0}\n' > "$venv/bin/emberpail"
        chmod +x "$venv/bin/emberpail"
        ;;
    "-m pytest") shift 2; printf 'tests in %s' "$(pwd)"; printf ' [%s]' "$@"; echo ;;
    *) echo "unexpected: $*" >&2; exit 9 ;;
esac
"""

_UV = r"""#!/bin/sh
echo "uv $*" >> "$FAKE_LOG"
if [ "$1" = venv ]; then
    for venv; do :; done
    mkdir -p "$venv/bin" && cp "$FAKE_PYTHON" "$venv/bin/python" && echo home > "$venv/pyvenv.cfg"
else
    venv=$(dirname "$(dirname "$4")")
    printf '#!/bin/sh\necho ran by uv\n' > "$venv/bin/emberpail"
    chmod +x "$venv/bin/emberpail"
fi
"""


class Machine:
    """A folder with the start script in it, and a PATH with nothing but stand-ins and a few tools."""

    def __init__(self, folder: Path, shell: str) -> None:
        self.shell = shell
        self.top = folder / "a folder with spaces" / "emberpail"
        self.top.mkdir(parents=True)
        shutil.copy(_SCRIPT, self.top / "emberpail")
        (self.top / "pyproject.toml").write_text("[project]\n")
        (self.top / ".ci").mkdir()
        (self.top / ".ci" / "constraints.txt").write_text("numpy==2.4.6\n")
        self.bin = folder / "bin"
        self.bin.mkdir()
        for tool in _TOOLS:
            path = shutil.which(tool)
            assert path is not None
            (self.bin / tool).symlink_to(path)
        self.log = folder / "log"
        self.put("python3", _PYTHON)

    def put(self, name: str, text: str) -> None:
        (self.bin / name).write_text(text)
        (self.bin / name).chmod(0o755)

    def start(
        self, *args: str, script: Path | None = None, cwd: Path | None = None, **fake: str
    ) -> subprocess.Popen[str]:
        environ = {"PATH": str(self.bin), "FAKE_LOG": str(self.log), "FAKE_PYTHON": str(self.bin / "python3"), **fake}
        return subprocess.Popen(
            [self.shell, str(script or self.top / "emberpail"), *args],
            env=environ, cwd=cwd or self.top, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            start_new_session=True,
        )  # fmt: skip

    def run(self, *args: str, script: Path | None = None, cwd: Path | None = None, **fake: str) -> tuple[int, str, str]:
        process = self.start(*args, script=script, cwd=cwd, **fake)
        out, err = process.communicate(timeout=30)
        return process.returncode, out, err

    def deeds(self, words: str) -> list[str]:
        """The calls of python (or uv) so far that hold these words."""
        return [line for line in self.log.read_text().splitlines() if words in line] if self.log.exists() else []


# Debian's sh is dash; bash stands behind sh elsewhere.
@pytest.fixture(params=["sh", "bash"])
def machine(request: pytest.FixtureRequest, tmp_path: Path) -> Machine:
    path = shutil.which(request.param)
    if path is None:
        pytest.skip(f"by design: {request.param} is not on this system, and the script runs under any POSIX sh")
    return Machine(tmp_path, path)


def _one_line(err: str) -> str:
    """The one line that says what is wrong; what stands before it is the announcement of the set-up."""
    lines = [line for line in err.splitlines() if not line.startswith("Setting up")]
    assert len(lines) == 1, err
    assert lines[0].startswith("emberpail: ")
    return lines[0]


@pytest.mark.parametrize("shell", ["sh", "dash", "bash"])
def test_the_script_is_plain_sh(shell: str) -> None:
    """Every shell that may stand behind /bin/sh can parse it, and it is executable."""
    if shutil.which(shell) is None:
        pytest.skip(f"by design: {shell} is not on this system")
    assert subprocess.run([shell, "-n", str(_SCRIPT)], check=False).returncode == 0
    assert os.access(_SCRIPT, os.X_OK)
    assert _SCRIPT.read_text().startswith("#!/bin/sh\n")


def test_the_first_run_sets_up_and_hands_on(machine: Machine) -> None:
    """The first run announces itself in one line, installs, and passes every argument on as it was."""
    code, out, err = machine.run("plan", "--oil", "sun flower", "", "*")
    assert (code, out) == (0, "ran [plan] [--oil] [sun flower] [] [*]\n")
    assert err == "Setting up (first run, about a minute)...\n"
    assert len(machine.deeds("pip install")) == 1
    assert not (machine.top / ".venv" / "setup.lock").exists()


def test_later_runs_are_quick_and_quiet(machine: Machine) -> None:
    """After the set-up no python is asked anything: the command starts at once, with its own exit code."""
    machine.run()
    before = machine.log.read_text()
    began_s = time.monotonic()
    code, out, err = machine.run("status", FAKE_EXIT="1")
    assert time.monotonic() - began_s < 1.0
    assert (code, out, err) == (1, "ran [status]\n", "")
    assert machine.log.read_text() == before


def test_it_works_from_anywhere_and_through_links(machine: Machine, tmp_path: Path) -> None:
    """From another folder, by a link to it, and by a link to a link that is relative, the same .venv is used."""
    machine.run()
    link = tmp_path / "bin" / "pail"
    link.symlink_to(machine.top / "emberpail")
    relative = tmp_path / "relative link"
    relative.symlink_to(Path("bin") / "pail")
    for script in (machine.top / "emberpail", link, relative):
        assert machine.run("x", script=script, cwd=tmp_path) == (0, "ran [x]\n", "")
    assert machine.run("x", script=Path("emberpail")) == (0, "ran [x]\n", "")
    assert len(machine.deeds("pip install")) == 1


def test_a_changed_pyproject_is_installed_once_more(machine: Machine) -> None:
    """What is installed follows pyproject.toml, without building the .venv anew."""
    machine.run()
    (machine.top / "pyproject.toml").write_text("[project]\ndependencies = []\n")
    assert machine.run("x")[1] == "ran [x]\n"
    machine.run("x")
    assert len(machine.deeds("pip install")) == 2
    assert len(machine.deeds("-m venv")) == 1


def test_a_moved_folder_is_installed_again(machine: Machine, tmp_path: Path) -> None:
    """A .venv holds the path it was made at, so a folder that was moved is set up anew."""
    machine.run()
    moved = tmp_path / "moved"
    machine.top.rename(moved)
    code, out, _ = machine.run("x", script=moved / "emberpail", cwd=moved)
    assert (code, out) == (0, "ran [x]\n")
    assert len(machine.deeds("pip install")) == 2


def test_the_tests_get_their_own_parts(machine: Machine, tmp_path: Path) -> None:
    """``test`` installs the extra [test] on its first use and runs pytest in the checkout with what follows."""
    machine.run()
    code, out, err = machine.run("test", "-k", "a b", cwd=tmp_path)
    assert (code, out) == (0, f"tests in {machine.top} [-k] [a b]\n")
    assert err.startswith("Setting up for the tests")
    assert machine.run("test") == (0, f"tests in {machine.top} []\n", "")
    assert [line.split(" ")[-1] for line in machine.deeds("pip install")] == [".", ".[test]"]
    assert machine.run("x") == (0, "ran [x]\n", "")


_WITH_EXTRAS = """[project]
[project.optional-dependencies]
mirror = ["influxdb-client"]
# Said of the next.
seasons = ["statsmodels"]
test = [
    "pytest",
]
[project.scripts]
x = "y"
"""


def test_a_part_that_was_added_is_kept_by_later_set_ups(machine: Machine) -> None:
    """By a changed pyproject.toml, by the tests' set-up, and where .venv has to be built anew; once it is there,
    nothing is installed again."""
    (machine.top / "pyproject.toml").write_text(_WITH_EXTRAS)
    code, out, err = machine.run("add", "seasons")
    assert (code, out) == (0, "") and "seasons is added" in err
    assert machine.deeds("pip install")[-1].endswith("-e .[seasons]")
    assert machine.run("x") == (0, "ran [x]\n", "")
    assert machine.run("add", "seasons") == (0, "", "seasons is there already.\n")
    assert len(machine.deeds("pip install")) == 1
    machine.run("add", "mirror")
    assert machine.deeds("pip install")[-1].endswith("-e .[seasons,mirror]")
    machine.run("test")
    assert machine.deeds("pip install")[-1].endswith("-e .[mirror,seasons,test]")
    (machine.top / "pyproject.toml").write_text(_WITH_EXTRAS + "# changed\n")
    assert machine.run("x")[1] == "ran [x]\n"
    assert machine.deeds("pip install")[-1].endswith("-e .[mirror,seasons]")
    (machine.top / ".venv" / "pyvenv.cfg").unlink()
    (machine.top / ".venv" / "stamp.run").unlink()
    machine.run("x")
    assert machine.deeds("pip install")[-1].endswith("-e .[mirror,seasons]")


def test_a_part_that_could_not_be_had_stops_nothing(machine: Machine) -> None:
    """Without a network: it is told, the program starts as before, and asking again tries again."""
    (machine.top / "pyproject.toml").write_text(_WITH_EXTRAS)
    machine.run()
    code, _, err = machine.run("add", "seasons", FAKE_PIP_FAILS="network is unreachable")
    assert code == 2 and "no network" in err
    assert machine.run("x") == (0, "ran [x]\n", "")
    assert machine.run("add", "seasons")[0] == 0
    assert machine.deeds("pip install")[-1].endswith("-e .[seasons]")


@pytest.mark.parametrize("typed", [(), ("season",), ("test",), ("",), ("*",), ("mirror seasons",)])
def test_a_part_that_there_is_not_is_told(machine: Machine, typed: tuple[str, ...]) -> None:
    """With those that there are, and nothing is installed."""
    (machine.top / "pyproject.toml").write_text(_WITH_EXTRAS)
    code, out, err = machine.run("add", *typed)
    assert (code, out) == (2, "")
    assert _one_line(err) == "emberpail: say which part to add: mirror seasons (emberpail add NAME)."
    assert machine.deeds("pip") == []


def test_ci_installs_the_exact_versions(machine: Machine) -> None:
    """With CI=true, and only then, the files written down are installed and nothing else; that will do for anyone."""
    machine.run()
    assert "constraints.txt" not in machine.deeds("pip install")[0]
    machine.run(CI="true")
    exact, ourselves = machine.deeds("pip install")[1:]
    assert "--require-hashes --no-deps -r" in exact and exact.endswith("constraints.txt")
    assert ourselves.endswith("--no-index --no-build-isolation -e .")
    assert machine.run("x") == (0, "ran [x]\n", "")
    assert machine.run("x", CI="true") == (0, "ran [x]\n", "")
    assert len(machine.deeds("pip install")) == 3


def test_another_file_than_the_one_written_down_is_told(machine: Machine) -> None:
    """The set-up fails, in words."""
    words = "ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE."
    code, out, err = machine.run(CI="true", FAKE_PIP_FAILS=words)
    assert (code, out) == (2, "")
    assert "not the very one that is written down" in _one_line(err)
    assert len(machine.deeds("pip install")) == 1


# ---- what is missing is said in one line ----


def test_no_python_is_told(machine: Machine) -> None:
    """Without any python the line says what to install."""
    (machine.bin / "python3").unlink()
    code, out, err = machine.run()
    assert (code, out) == (2, "")
    assert "needs Python 3.11 or newer, and there is none" in _one_line(err)
    assert "sudo apt install python3 python3-venv" in err


def test_an_old_python_is_told(machine: Machine) -> None:
    """A python that is too old is named with its version."""
    code, _, err = machine.run(FAKE_VERSION="309")
    assert code == 2
    assert "needs Python 3.11 or newer, and python3 is 3.9" in _one_line(err)


def test_a_newer_python_beside_an_old_one_is_found(machine: Machine) -> None:
    """An old python3 is passed over where python3.12 is there too."""
    machine.put("python3", _PYTHON.replace("${FAKE_VERSION:-311}", "309"))
    machine.put("python3.12", _PYTHON.replace("${FAKE_VERSION:-311}", "312"))
    assert machine.run("x")[1] == "ran [x]\n"
    assert "python3.12" in machine.deeds("-m venv")[0]


def test_a_32_bit_system_is_told(machine: Machine) -> None:
    """A 32-bit python is refused before anything is downloaded, with the reason."""
    code, _, err = machine.run(FAKE_BITS="32")
    assert code == 2
    assert "needs a 64-bit system: the wheels of numpy do not exist for 32 bit" in _one_line(err)
    assert machine.deeds("pip install") == []


def test_debians_missing_venv_is_told(machine: Machine) -> None:
    """Debian parts python3-venv from python3; the line names the package."""
    code, _, err = machine.run(FAKE_NO_VENV="1")
    assert code == 2
    assert _one_line(err) == "emberpail: python3-venv is missing; on Debian: sudo apt install python3-venv"
    assert machine.run("x")[1] == "ran [x]\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("Temporary failure in name resolution", "no network"),
        (
            "NewConnectionError('<...>: Failed to establish a new connection: [Errno 101] Network is unreachable')",
            "no network",
        ),
        ("OSError: [Errno 28] No space left on device", "the disk is full"),
        ("ERROR: Failed building wheel", "a package could not be installed"),
    ],
)
def test_a_failed_install_is_told_and_tried_again(machine: Machine, words: str, told: str) -> None:
    """The line says the likely reason and where the installer's own words are; the next run tries again."""
    code, out, err = machine.run(FAKE_PIP_FAILS=words)
    assert (code, out) == (2, "")
    assert f"set-up failed: {told}" in _one_line(err)
    log = machine.top / ".venv" / "install.log"
    assert str(log) in err
    assert words in log.read_text()
    assert "nobody's business" not in err
    assert machine.run("x")[1] == "ran [x]\n"


def test_a_failed_install_of_the_tests_leaves_the_rest_usable(machine: Machine) -> None:
    """When the extra parts for the tests cannot be had, the command itself still runs at once."""
    machine.run()
    assert machine.run("test", FAKE_PIP_FAILS="no route to host")[0] == 2
    assert machine.run("x") == (0, "ran [x]\n", "")


def test_a_folder_that_cannot_be_written_is_told(machine: Machine) -> None:
    """Where no .venv can be made the line says so, with the folder."""
    (machine.top / ".venv").write_text("in the way")  # root may write anywhere, so rights alone would not stop a test
    code, _, err = machine.run()
    assert code == 2
    assert f"cannot write in {machine.top}" in _one_line(err)


def test_a_script_without_its_folder_is_told(machine: Machine, tmp_path: Path) -> None:
    """Copied away alone, it says where it belongs."""
    alone = tmp_path / "emberpail"
    shutil.copy(_SCRIPT, alone)
    code, _, err = machine.run(script=alone)
    assert code == 2
    assert "there is no pyproject.toml in" in _one_line(err)


# ---- cut short, and two at once ----


def _wait_for(condition: Callable[[], object], what: str) -> None:
    deadline_s = time.monotonic() + 10
    while not condition():
        assert time.monotonic() < deadline_s, what
        time.sleep(0.02)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_set_up_that_was_cut_short_is_made_anew(machine: Machine, how: signal.Signals) -> None:
    """A run killed in the middle leaves nothing that the next run would trust."""
    process = machine.start(FAKE_PIP_SECONDS="20")
    _wait_for(lambda: machine.deeds("pip install"), "the installer did not start")
    time.sleep(0.3)  # until every shell of the chain sits in its wait
    os.killpg(process.pid, how)
    process.communicate(timeout=10)
    assert process.returncode != 0
    code, out, err = machine.run("x")
    assert (code, out) == (0, "ran [x]\n")
    assert err.startswith("Setting up")
    assert len(machine.deeds("-m venv")) == 2
    assert machine.run("x") == (0, "ran [x]\n", "")


def test_several_first_runs_at_once_set_up_once(machine: Machine) -> None:
    """Of three started together one sets up and the others wait; all three then run."""
    processes = [machine.start(str(number), FAKE_PIP_SECONDS="1") for number in range(3)]
    outcomes = [process.communicate(timeout=30) for process in processes]
    assert sorted(out for out, _ in outcomes) == ["ran [0]\n", "ran [1]\n", "ran [2]\n"]
    assert [process.returncode for process in processes] == [0, 0, 0]
    assert len(machine.deeds("pip install")) == 1
    assert sum("Setting up" in err for _, err in outcomes) == 1


def test_a_lock_whose_owner_died_is_taken_over(machine: Machine) -> None:
    """A lock left by a killed run does not shut Emberpail out, even with two waiting for it."""
    gone = subprocess.Popen(["true"])
    gone.wait()
    lock = machine.top / ".venv" / "setup.lock"
    lock.mkdir(parents=True)
    (lock / "pid").write_text(f"{gone.pid}\n")
    processes = [machine.start(str(number), FAKE_PIP_SECONDS="1") for number in range(2)]
    assert sorted(process.communicate(timeout=30)[0] for process in processes) == ["ran [0]\n", "ran [1]\n"]
    assert len(machine.deeds("pip install")) == 1


def test_a_lock_without_an_owner_is_taken_over(machine: Machine) -> None:
    """A run killed between making the lock and signing it holds nobody up for more than a few seconds."""
    (machine.top / ".venv" / "setup.lock").mkdir(parents=True)
    code, out, err = machine.run("x")
    assert (code, out) == (0, "ran [x]\n")
    assert "Waiting for another set-up" in err


# ---- with uv ----


def test_uv_is_used_where_there_is_one(machine: Machine) -> None:
    """With uv on the PATH it makes the .venv and installs; pip is not asked."""
    machine.put("uv", _UV)
    code, out, _ = machine.run("x", CI="true")
    assert (code, out) == (0, "ran by uv\n")
    (made,) = machine.deeds("uv venv")
    assert "--python python3" in made
    exact, ourselves = machine.deeds("uv pip install")
    assert "--require-hashes --no-deps -r" in exact
    assert ourselves.endswith("--no-index --no-build-isolation -e .")
    assert machine.deeds("-m pip install") == []


def test_uv_brings_a_python_where_there_is_none(machine: Machine) -> None:
    """With uv and no python that will do, uv is asked for one."""
    machine.put("uv", _UV)
    (machine.bin / "python3").rename(machine.bin / "hidden")
    code, out, _ = machine.run("x", FAKE_PYTHON=str(machine.bin / "hidden"))
    assert (code, out) == (0, "ran by uv\n")
    assert "--python >=3.11" in machine.deeds("uv venv")[0]
