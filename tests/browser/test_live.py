"""The page while something happens: news without a reload, a cut and its mending, an alarm answered by a thumb, and all
of it with scripts switched off.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Browser, Page, expect

from monitor.domain import Reading
from monitor.journal.database import Journal
from monitor.page.news import APART_S, AT_LATEST_S, LOOK_EVERY_S

from .looks import enter, same_document, stamp, visitor, wire_sizes
from .night import PASSPHRASE, Shed

# A page is told of a change within this: looked for, held apart from the one before, fetched; the rest is leave for a
# busy computer.
_NEWS_MS = 1000.0 * (LOOK_EVERY_S + APART_S) + 5000.0
# The page says that nothing comes after 30 s; the browser looks every 3 s whether the watch is back, the page every 5.
_CUT_MS, _BACK_MS = 45_000.0, 25_000.0
_MOST_BYTES = 100_000
# The figure that the test makes appear; the evening has none like it.
_NEW_C = 93.4
_NEW_WORDS = "93"


def _reading_arrives(shed: Shed) -> None:
    shed.now_s += 20.0
    shed.desk.add_readings([Reading("shed-1", "core", shed.now_s, shed.now_s, _NEW_C)])


@pytest.mark.parametrize("path", ["/", "/bucket/shed-1"])
def test_a_reading_shows_without_a_reload(browser: Browser, fresh: Callable[[], Shed], path: str) -> None:
    """A reading that comes into the journal is on the open page within seconds; the page is the same document."""
    shed = fresh()
    with visitor(browser, shed.serve()) as (page, listener):
        page.goto(path)
        figure = page.locator("article", has=page.locator("h2", has_text="shed-1")).locator(".figure b")
        assert figure.inner_text() != _NEW_WORDS
        stamp(page)
        _reading_arrives(shed)
        expect(figure).to_have_text(_NEW_WORDS, timeout=_NEWS_MS)
        assert same_document(page)
        assert listener.taken() == []


def test_what_is_being_written_is_left_alone_by_news(browser: Browser, fresh: Callable[[], Shed]) -> None:
    """News that comes while a drawer with buttons is open neither closes it nor takes the focus away."""
    shed = fresh()
    with visitor(browser, shed.serve()) as (page, _):
        enter(page, PASSPHRASE)
        page.goto("/bucket/shed-1")
        page.get_by_text("Note something").click()
        page.get_by_label("20 min ago").check()
        _reading_arrives(shed)
        expect(page.locator(".figure b")).to_have_text(_NEW_WORDS, timeout=_NEWS_MS)
        expect(page.get_by_label("20 min ago")).to_be_checked()
        expect(page.get_by_label("20 min ago")).to_be_focused()


@pytest.mark.slow
def test_a_cut_is_told_and_mends_itself(browser: Browser, fresh: Callable[[], Shed]) -> None:
    """When the watch is gone, or the network is, the page says so and greys itself; both come back without a hand."""
    shed = fresh()
    base = shed.serve()
    port = int(base.rpartition(":")[2])
    with visitor(browser, base) as (in_house, _), visitor(browser, base) as (in_yard, _):
        for page in (in_house, in_yard):
            page.goto("/")
            stamp(page)
            expect(page.locator("#no-news")).to_be_hidden()
        in_yard.context.set_offline(True)
        shed.stop_serving()
        for page in (in_house, in_yard):
            expect(page.locator("#no-news")).to_be_visible(timeout=_CUT_MS)
            expect(page.locator("#no-news")).to_contain_text("No news for")
            assert float(page.evaluate("() => getComputedStyle(document.querySelector('main')).opacity")) < 1.0
        _reading_arrives(shed)
        shed.serve(port)
        expect(in_house.locator("#no-news")).to_be_hidden(timeout=_BACK_MS)
        expect(in_house.locator("main")).to_contain_text(_NEW_WORDS)
        expect(in_yard.locator("#no-news")).to_be_visible()
        in_yard.context.set_offline(False)
        expect(in_yard.locator("#no-news")).to_be_hidden(timeout=_BACK_MS)
        assert same_document(in_house) and same_document(in_yard)


def test_the_patience_of_the_page_fits_the_stream() -> None:
    """The stream speaks at least twice before a page calls itself cut off."""
    assert 2 * AT_LATEST_S < 30.0


def test_an_alarm_is_answered_with_a_thumb(browser: Browser, fresh: Callable[[], Shed]) -> None:
    """On a small phone, by taps alone: from the first page to "I am going"; the journal has it and the page says it."""
    shed = fresh()
    phone = {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2}
    with visitor(browser, shed.serve(), **phone) as (page, listener):
        enter(page, PASSPHRASE)
        card = page.locator("article.state-now", has_text="shed-2")
        card.locator("a.button").last.tap()
        page.wait_for_url("**/bucket/shed-2")
        going = page.get_by_role("button", name="I am going").first
        alarm_id = going.locator("xpath=ancestor::form").locator("input[name=alarm]").get_attribute("value")
        going.tap()
        expect(page.locator(".alarm").first).to_contain_text("somebody is going")
        assert alarm_id not in _alarms_shown(page)
        assert listener.taken() == []
    with Journal(shed.folder / "journal.sqlite") as journal:
        assert [(act.alarm_id, act.act) for act in journal.acts()] == [(alarm_id, "going")]


def _alarms_shown(page: Page) -> list[str]:
    """The alarms that can still be answered."""
    return [str(one.get_attribute("value")) for one in page.locator("form:has(button[value=going]) [name=alarm]").all()]


def test_without_a_script_the_page_shows_and_the_forms_work(browser: Browser, fresh: Callable[[], Shed]) -> None:
    """With JavaScript switched off: the present state, a reload by itself, a note, and the answer to an alarm."""
    shed = fresh()
    with visitor(browser, shed.serve(), java_script_enabled=False) as (page, listener):
        page.goto("/")
        assert 'http-equiv="refresh"' in page.content()
        assert page.locator("article").count() == 7
        assert page.locator("article.state-now .figure b").count() >= 1
        enter(page, PASSPHRASE)
        page.goto("/bucket/shed-2")
        page.get_by_role("button", name="I am going").first.click()
        page.wait_for_url("**/bucket/shed-2*")
        page.goto("/bucket/shed-1")
        page.get_by_text("Note something").click()
        page.get_by_role("button", name="lid-off").click()
        page.wait_for_url("**/bucket/shed-1*")
        expect(page.locator(".log").last).to_contain_text("lid-off")
        assert listener.taken() == []
    with Journal(shed.folder / "journal.sqlite") as journal:
        assert [act.act for act in journal.acts()] == ["going"]
        assert [entry.kind for entry in journal.entries("Quillmarsh 21")][-1] == "lid-off"


@pytest.mark.parametrize("path", ["/", "/bucket/shed-2"])
def test_the_first_view_is_light_on_the_wire(browser: Browser, address: str, path: str) -> None:
    """All that a browser with nothing kept has to fetch before it shows the page: 100 kB at the most."""
    with visitor(browser, address) as (page, _):
        page.goto(path, wait_until="load")
        sizes = wire_sizes(page)
        assert sum(sizes.values()) <= _MOST_BYTES, sizes
        assert any("page.css" in name for name in sizes) and all(size > 0 for size in sizes.values()), sizes

