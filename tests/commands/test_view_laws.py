"""What the view of ``status`` and the page may never do, and the commands as a process of their own."""

from __future__ import annotations

import contextlib
import os
import pty
import resource
import select
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from monitor.domain import Batch, Event, OilShare, Reading, Recipe, Vessel
from monitor.journal.database import Journal
from monitor.page.view import QUIET, STALE, STALE_AFTER_S, BucketView
from monitor.settings import Settings, settings_from_text
from monitor.standing import status_view
from tests.commands.conftest import RECIPE, SETTINGS

NOW_S = 1_800_000_000.0
STARTED_S = NOW_S - 6 * 3600.0
CHECKOUT = Path(__file__).parents[2]
RECIPE_AS_WEIGHED = Recipe((OilShare("sunflower", 4.2),), 0.85, 0.9, 1.3)
BATCH = Batch("Quillmarsh 12", "shed-2", STARTED_S, RECIPE_AS_WEIGHED, Vessel(25.0, "blanket"), noted_at_s=STARTED_S)


def _settings() -> Settings:
    return settings_from_text(SETTINGS, Path("/nowhere/emberpail.toml"), {})


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(BATCH)
        yield journal


def _bucket(journal: Journal) -> BucketView:
    return status_view(journal, _settings(), NOW_S).buckets[0]


def _reckoned(journal: Journal, **values: object) -> None:
    usual: dict[str, object] = {
        "completeness": 0.80, "completeness_sd": 0.05, "final_completeness": 0.93, "final_completeness_sd": 0.03,
        "self_heating_k": 44.0, "self_heating_sd_k": 2.0,
    }  # fmt: skip
    journal.add_events([Event("estimate", NOW_S - 120.0, "shed-2", BATCH.name, usual | values)])


@hypothesis_settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(age_s=st.floats(-1e5, 1e6), share=st.floats(0.0, 1.0), sd=st.floats(0.0, 0.5))
def test_nothing_reckoned_makes_an_old_reading_look_well(
    tmp_path_factory: pytest.TempPathFactory, age_s: float, share: float, sd: float
) -> None:
    """Quiet only with a reading between a minute ahead and five minutes ago, whatever was reckoned."""
    with Journal(tmp_path_factory.mktemp("view") / "journal.sqlite") as journal:
        journal.add_batch(BATCH)
        at_s = NOW_S - age_s
        journal.add_readings([Reading("shed-2", "core", at_s, at_s, 70.0)])
        _reckoned(journal, completeness=share, completeness_sd=sd)
        fresh = at_s <= NOW_S + 60.0 and NOW_S - at_s <= STALE_AFTER_S
        assert _bucket(journal).standing == (QUIET if fresh else STALE)


def test_air_and_rejected_readings_say_nothing_of_the_paste(journal: Journal) -> None:
    """Fresh as they are."""
    fresh_s = NOW_S - 5.0
    journal.add_readings([Reading("shed-2", "ambient", fresh_s, fresh_s, 9.0)])
    journal.add_readings([Reading("shed-2", "core", fresh_s, fresh_s, 85.0)], ["power-on value"])
    view = _bucket(journal)
    assert (view.standing, view.temperature_c) == (STALE, None)


@pytest.mark.parametrize("gone", ["completeness_sd", "completeness"])
def test_half_a_figure_is_no_figure(journal: Journal, gone: str) -> None:
    """Without its spread, or without itself, nothing is said of it."""
    _reckoned(journal)
    whole = _bucket(journal)
    assert whole.completeness == "about 80 % (72 to 88)" and whole.potash_left and whole.outlook
    journal.add_events([Event("estimate", NOW_S - 60.0, "shed-2", BATCH.name,
                              {"completeness": 0.8, "completeness_sd": 0.05, "final_completeness": 0.9,
                               "final_completeness_sd": 0.03, gone: None, f"final_{gone}": None})])  # fmt: skip
    half = _bucket(journal)
    assert (half.completeness, half.potash_left, half.outlook) == ("", "", "")


def test_no_figure_of_the_table_stands_without_its_range(journal: Journal) -> None:
    """What has no spread cannot be said."""
    _reckoned(journal, self_heating_sd_k=None)
    numbers = dict(_bucket(journal).numbers)
    assert numbers.pop("as of")
    assert numbers["heat made"] == "cannot be said"
    assert all("give or take" in said or said == "cannot be said" for said in numbers.values())


# ---- as a process of its own ----


def _environment(folder: Path) -> dict[str, str]:
    return {
        "PATH": os.environ.get("PATH", "/usr/bin:/bin"), "HOME": str(folder), "XDG_DATA_HOME": str(folder),
        "EMBERPAIL_SETTINGS": str(folder / "emberpail.toml"), "PYTHONPATH": str(CHECKOUT),
        "PYTHONDONTWRITEBYTECODE": "1",
    }  # fmt: skip


def _command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "monitor", *arguments]


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that another user can enter; the test's own one is closed to others."""
    folder = Path(tempfile.mkdtemp(prefix="emberpail-test-"))
    folder.chmod(0o755)
    (folder / "emberpail.toml").write_text(SETTINGS, encoding="utf-8")
    (folder / "emberpail.toml").chmod(0o644)
    yield folder
    shutil.rmtree(folder)


@pytest.mark.parametrize("arguments", [("--version",), ("status",)])
def test_it_answers_within_a_second(open_folder: Path, arguments: tuple[str, ...]) -> None:
    """By the processor's time: the clock's would say how busy this machine is with other tests."""
    before_s = _processor_time_of_children_s()
    subprocess.run(_command(*arguments), check=True, capture_output=True, env=_environment(open_folder), cwd="/")
    assert 0.0 < _processor_time_of_children_s() - before_s < 1.0


def _processor_time_of_children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


# The other user may not enter the checkout: a first run, which fails, loads everything; then the rights are laid down.
_AS_ANOTHER_USER = """
import contextlib, io, os, sys
from monitor.cli import main
with contextlib.redirect_stderr(io.StringIO()):
    main([sys.argv[1], "no-such-bucket", *sys.argv[3:]])
os.setuid(65534)
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="by design: only root can take on another user")
def test_another_users_journal_can_be_looked_at_and_nothing_else(open_folder: Path) -> None:
    """``status`` reads it and leaves it as it was; ``mark`` says that it cannot be written."""
    path = open_folder / "journal.sqlite"
    with Journal(path) as journal:
        journal.add_batch(Batch("A", "shed-2", time.time() - 60.0, BATCH.recipe, BATCH.vessel, noted_at_s=time.time()))
    path.chmod(0o644)
    before = path.read_bytes()
    said = {
        name: subprocess.run([sys.executable, "-c", _AS_ANOTHER_USER, *words], capture_output=True, text=True,
                             check=False, cwd="/", env=_environment(open_folder))
        for name, words in {"status": ("status", "--json"), "mark": ("mark", "shed-2", "blended")}.items()
    }  # fmt: skip
    assert said["status"].returncode == 0 and '"batch": "A"' in said["status"].stdout, said["status"]
    assert said["mark"].returncode == 2 and not said["mark"].stdout and "Traceback" not in said["mark"].stderr
    assert str(path) in said["mark"].stderr.replace("\n", " ")
    assert path.read_bytes() == before


def test_a_real_terminal_is_asked_and_taken_at_its_word(open_folder: Path) -> None:
    """Cautions, then the questions one by one; pounds are taken and a wrong answer is asked again."""
    us, them = pty.openpty()
    answers = ["moonflower 4 kg", "sunflower 9 lb 4 oz", "", "1 lb 14 oz", "90 %", "1.3 L", "56 C"]
    process = subprocess.Popen(_command("start", "Quillmarsh 12", "--bucket", "shed-2"), stdin=them, stdout=them,
                               stderr=them, env=_environment(open_folder), cwd="/")  # fmt: skip
    os.close(them)
    seen, asked = "", 0
    until_s = time.monotonic() + 30.0
    try:
        while time.monotonic() < until_s:
            if not select.select([us], [], [], 0.2)[0]:
                if process.poll() is not None:
                    break
                continue
            try:
                chunk = os.read(us, 4096)
            except OSError:  # the other end is closed
                break
            if not chunk:
                break
            seen += chunk.decode("utf-8", "replace")
            # A question ends with a colon and waits on its line.
            if seen.endswith(": ") and asked < len(answers):
                os.write(us, f"{answers[asked]}\n".encode())
                asked += 1
        assert process.wait(10) == 0, seen
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        process.wait()
        os.close(us)
    assert asked == len(answers), seen
    assert seen.index("Not caustic soda") < seen.index("Oil and how much")
    assert 'No oil is called "moonflower"' in " ".join(seen.split())
    with Journal(open_folder / "journal.sqlite") as journal:
        (batch,) = journal.running_batches()
        assert batch.recipe.oils[0].kg == pytest.approx(9.25 * 0.45359237, abs=0.001)
        assert batch.recipe.koh_kg == pytest.approx(1.875 * 0.45359237, abs=0.001)
        assert [(entry.kind, entry.temperature_c) for entry in journal.entries(batch.name)] == [("poured", 56.0)]


def test_a_reader_that_goes_away_is_no_fault(open_folder: Path) -> None:
    """``emberpail plan ... | head -1`` ends without a complaint."""
    process = subprocess.Popen(_command("start", "A", "--bucket", "shed-2", *RECIPE), stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE, env=_environment(open_folder), cwd="/")  # fmt: skip
    assert process.stdout is not None and process.stderr is not None
    process.stdout.close()
    complaint = process.stderr.read().decode()
    process.stderr.close()
    assert process.wait(30) == 0 and complaint == ""
