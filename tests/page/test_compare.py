"""The page on which batches are laid beside each other."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import pytest
from starlette.testclient import TestClient

from monitor.page.app import make_app
from monitor.page.compare_routes import compare_room
from monitor.page.compare_view import Choice
from monitor.page.overlay_chart import HEIGHT, WIDTH, key_html, overlay_svg
from monitor.seasons.curves import ALIGNED, AS, COMPLETENESS, POURED, TEMPERATURE, overlay
from monitor.seasons.differences import Compared, compared
from monitor.seasons.mixed import LibraryMissing, how_to_get
from monitor.seasons.story import Story
from monitor.seasons.table import Row, rows_of
from tests.seasons.made import story

from . import views

MADE = [
    story(1), replace(story(2, peak_c=62.0, done=0.7), name="<b>two</b>"), replace(story(3), running=True),
    story(4, month=7), story(5, month=7), story(6, month=7), story(7),
]  # fmt: skip


class Seasons:
    """Invented batches; ``library`` says whether groups can be held against each other."""

    def __init__(self, made: Sequence[Story] = MADE, *, library: bool = True) -> None:
        self.made, self.library = list(made), library

    def choices(self) -> list[Choice]:
        return [Choice(one.name, "17 Jan 2026 · shed-2") for one in reversed(self.made)]

    def stories(self, names: Sequence[str]) -> list[Story]:
        return [one for one in self.made if one.name in names]

    def every_row(self) -> list[Row]:
        return rows_of(self.made)

    def held(self, rows: Sequence[Row], by: str, of: str) -> Compared:
        if not self.library:
            raise LibraryMissing(how_to_get())
        return compared(rows, by, of)


def get(address: str, seasons: Seasons | None = None) -> str:
    """The page's text."""
    app = make_app(views.status, more=[compare_room(seasons or Seasons())])
    answer = TestClient(app, base_url="http://localhost").get(address)
    assert answer.status_code == 200
    return answer.text


def test_the_newest_are_shown_before_anybody_has_chosen() -> None:
    """Their curves, their figures, and the form with them ticked."""
    text = get("/compare")
    assert text.count("<polyline") == 4 and text.count(" checked") == 4
    assert "potash used up</th><td>about 95" in text


@pytest.mark.parametrize("shown_as", AS)
@pytest.mark.parametrize("zero", ALIGNED)
def test_what_was_chosen_is_shown_and_stays_chosen(shown_as: str, zero: str) -> None:
    """In the address, so that it can be sent on."""
    text = get(f"/compare?b=Quillmarsh+1&b=Quillmarsh+4&as={shown_as}&zero={zero}")
    assert text.count("<polyline") == 2 and text.count(" checked") == 2
    assert f'value="{shown_as}" selected' in text and f'value="{zero}" selected' in text


def test_groups_come_with_their_range() -> None:
    """No difference without its interval, on the page as anywhere."""
    text = get("/compare?by=season&of=completeness")
    assert re.search(r"against [^<]* batches\), potash used up: [^<]*(between|anything from)", text)
    assert "holds 95 of 100" in text and "behind a batch&#x27;s figure holds 90 of 100" in text


def test_that_the_groups_are_of_the_newest_batches_only_is_said() -> None:
    """Where there are more than the page keeps figures of; and nothing where they are all there."""

    class Many(Seasons):
        def every_row(self) -> list[Row]:
            return super().every_row()[-6:]

    assert "These are the newest 6 of 7 batches" in get("/compare?by=season", Many())
    assert "These are the newest" not in get("/compare?by=season")


def test_without_the_library_all_the_rest_is_there() -> None:
    """And one sentence says what to run."""
    text = get("/compare?by=season", Seasons(library=False))
    assert "./emberpail add seasons" in text and "<polyline" in text


def test_nothing_typed_into_the_address_does_harm() -> None:
    """Unknown words are passed over; names are escaped."""
    text = get("/compare?b=%3Cscript%3E&as=x&zero=y&by=z&of=q")
    assert "<script>" not in text and "There is nothing to draw." in text
    assert "&lt;b&gt;two&lt;/b&gt;" in get("/compare") and "<b>two</b>" not in get("/compare?b=%3Cb%3Etwo%3C/b%3E")
    assert "There is no batch yet." in get("/compare", Seasons([]))


def test_failed_and_running_batches_are_marked_by_sign_and_word() -> None:
    """At the curve's end and in the key; and each curve has a dash of its own."""
    laid = overlay(MADE[:3], TEMPERATURE, POURED)
    svg, key = overlay_svg(laid), key_html(laid)
    assert re.search(r'class="end"[^>]*>2✗<', svg) and re.search(r'class="end"[^>]*>3…<', svg)
    assert re.search(r'class="end"[^>]*>1<', svg)
    assert "(✗ failed)" in key and "(… still running)" in key
    assert {f"over-{place}" for place in range(3)} <= set(re.findall(r"over-\d", svg))


def test_ranges_are_drawn_where_there_are_some() -> None:
    """Of completeness, up to four; a temperature has none."""
    assert overlay_svg(overlay(MADE[:3], COMPLETENESS, POURED)).count("over-range") == 3
    assert "over-range" not in overlay_svg(overlay(MADE, COMPLETENESS, POURED))
    assert "over-range" not in overlay_svg(overlay(MADE[:3], TEMPERATURE, POURED))


@pytest.mark.parametrize("shown_as", AS)
def test_everything_lies_within_the_drawing(shown_as: str) -> None:
    """Eight curves that end on each other, numbers included."""
    svg = overlay_svg(overlay([story(n, peak_c=60.0 + n) for n in range(8)], shown_as, POURED))
    for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", " ".join(re.findall(r'points="([^"]*)"', svg))):
        assert 0 <= float(x) <= WIDTH and 0 <= float(y) <= HEIGHT
    places = [(float(x), float(y)) for x, y in re.findall(r'class="end" x="([\d.]+)" y="([\d.]+)"', svg)]
    assert len(places) == 8 and all(8 <= y <= HEIGHT for _, y in places)
    assert sorted(y for _, y in places) == [y for _, y in places], "in the order of their ends"
    assert all(b - a >= 9.9 for (_, a), (_, b) in pairwise(places)), "no number lies on another"
