"""The rule of the broker fixture: a missing part is skipped at home and fails in CI."""

from __future__ import annotations

import pytest

from tests.sources import conftest


def test_a_missing_broker_fails_in_ci_and_skips_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    """With CI=true nothing may be skipped for a missing part."""
    monkeypatch.setattr(conftest.shutil, "which", lambda *_a, **_k: None)
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception):
        conftest.find_mosquitto()
    monkeypatch.delenv("CI")
    with pytest.raises(pytest.skip.Exception):
        conftest.find_mosquitto()
