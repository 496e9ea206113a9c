"""Every button that a grower can see is pressed, each in a shed of its own: a page of ours answers, the journal has it.

Buttons that differ only in the bucket, batch, entry or alarm they speak of are pressed once; so are "5 min ago" and its
like beside the steps, once for all steps that ask for the same.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest
from playwright.sync_api import Browser, Page

from monitor.journal.database import Journal
from monitor.trade.steps import STEP_BY_ID

from .crawl import Crawl, route_of
from .looks import Listener, enter, settle, visitor
from .night import PASSPHRASE, Shed

# What a form carries that only says which one is meant.
_WHICH = ("token", "batch", "entry", "alarm", "back")
# What is typed where a field is empty, by the field's name.
_TYPED = {"temperature": "56", "water": "8", "text": "Looked at it, invented.", "passphrase": PASSPHRASE}
# Forms that write nothing into the journal, each with its reason.
NO_DEED = {
    "/enter": "the passphrase opens the door",
    "/leave": "the door closes on this phone",
    "/settings/words": "language and units of this phone are kept in its cookie",
    "would-ring/do": "what would have rung is worked out, and nothing of it is kept",
}

_BUTTONS = """() => Array.from(document.querySelectorAll('button, input[type=submit]'), (button, place) => ({
  place, name: button.name, value: button.value, words: button.innerText.trim(),
  method: button.form ? button.form.method : '', action: button.form ? new URL(button.form.action).pathname : '',
  fields: button.form ? Array.from(new FormData(button.form)).map(([name, value]) => [name, String(value)]) : [],
}))"""

_FILL = """([place, typed]) => {
  for (const one of document.querySelectorAll('details')) one.open = true;
  const button = document.querySelectorAll('button, input[type=submit]')[place];
  for (const field of button.form.querySelectorAll('input:not([type=hidden]), textarea'))
    if (!field.value) field.value = typed[field.name] || '1';
}"""


_SEEN = """() => [document.querySelector('main').innerHTML,
  ...Array.from(document.querySelectorAll('canvas'), (one) => one.toDataURL())].join()"""


@dataclass(frozen=True)
class Button:
    """One button as the page shows it."""

    path: str
    place: int
    words: str
    method: str
    action: str
    fields: dict[str, str]

    @property
    def what_for(self) -> str:
        """What the page calls it, for the report."""
        return f'{self.path}: "{self.words}" {({k: v for k, v in self.fields.items() if k not in _WHICH})}'


def _buttons(page: Page, shed: Shed, crawl: Crawl) -> list[Button]:
    """One of each kind, on the first page that shows it."""
    kinds: dict[tuple[object, ...], Button] = {}
    for path in crawl.found["grower"]:
        page.goto(path)
        route = route_of(shed, unquote(urlsplit(path).path)).path
        for one in page.evaluate(_BUTTONS):
            fields = dict(one["fields"]) | ({one["name"]: one["value"]} if one["name"] else {})
            said = tuple(sorted((name, value) for name, value in fields.items() if name not in _WHICH))
            if fields.get("what") == "tick" and fields.get("ago") != "0":
                said = tuple((name, value) for name, value in said if name != "step")
            kinds.setdefault(
                (route, one["action"].rpartition("/")[2], said),
                Button(path, one["place"], one["words"], one["method"], one["action"], fields),
            )
    return list(kinds.values())


@pytest.mark.slow
def test_every_button_does_what_it_says(
    browser: Browser, address: str, played: Shed, crawl: Crawl, fresh: Callable[[], Shed]
) -> None:
    """The answer is a page without a fault, and the journal shows the deed."""
    with visitor(browser, address) as (page, listener):
        enter(page, PASSPHRASE)
        buttons = _buttons(page, played, crawl)
        page.goto("about:blank")  # so that nothing is asked of the old shed while another is looked at
        listener.taken()
        assert len(buttons) > 20, buttons
        faults = []
        for button in buttons:
            # The key of the sessions is in the journal, and a cookie is the same for all ports: who is in stays in.
            shed = fresh()
            faults += [f"{button.what_for}: {fault}" for fault in _pressed(page, listener, shed, button)]
            page.goto("about:blank")
            shed.close()
            if button.action == "/leave":
                listener.host = urlsplit(address).netloc
                enter(page, PASSPHRASE)
    assert faults == [], "\n".join(faults)


def _pressed(page: Page, listener: Listener, shed: Shed, button: Button) -> list[str]:
    base = shed.serve()
    listener.also.add(listener.host)  # what was asked of it may be told of late
    listener.host = urlsplit(base).netloc
    page.goto(base + button.path)
    before = _rows(shed.folder)
    if not button.method:
        return [*_script_faults(page, button), *listener.taken()]
    page.evaluate(_FILL, [button.place, _TYPED])
    with page.expect_navigation():
        page.locator("button, input[type=submit]").nth(button.place).click()
    page.wait_for_load_state()
    faults = listener.taken()
    if not page.url.startswith(base) or page.locator("main h1, main header").count() == 0:
        faults.append(f"no page of ours answers: {page.url}")
    if button.method == "post" and not button.action.endswith(tuple(NO_DEED)):
        faults += _deed_faults(button, before, _rows(shed.folder), shed)
    return faults


def _script_faults(page: Page, button: Button) -> list[str]:
    """A button of a script changes what is seen, and stays on the page."""
    one = page.locator("button, input[type=submit]").nth(button.place)
    if not one.is_visible() or one.is_disabled() or one.get_attribute("aria-pressed") == "true":
        return []  # what it would do is done already
    before, url = page.evaluate(_SEEN), page.url
    one.click()
    settle(page)
    return [] if page.url == url and page.evaluate(_SEEN) != before else ["nothing is seen of it"]


def _rows(folder: Path) -> dict[str, list[Any]]:
    """All that the journal holds, by table."""
    with closing(sqlite3.connect(folder / "journal.sqlite")) as db:
        names = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: db.execute(f'SELECT * FROM "{name}"').fetchall() for name in names if name != "readings"}


def _deed_faults(button: Button, before: dict[str, list[Any]], after: dict[str, list[Any]], shed: Shed) -> list[str]:
    """Why the journal does not show the deed; nothing when it does."""
    if before == after:
        return ["the journal shows nothing of it"]
    fields = button.fields
    what, batch = fields.get("what", ""), fields.get("batch", "")
    with Journal(shed.folder / "journal.sqlite") as journal:
        entries = journal.entries(batch) if batch else []
        if what in ("note", "tick"):
            kind = fields["kind"] if what == "note" else STEP_BY_ID[fields["step"]].log_kind
            at_s = shed.now_s - 60.0 * float(fields.get("ago", "0"))
            if not any(entry.kind == kind and abs(entry.at_s - at_s) < 1.0 for entry in entries):
                return [f"no entry {kind} at {at_s} in {entries[-3:]}"]
        elif what == "undo":
            if any(entry.entry_id == fields["entry"] for entry in entries):
                return [f"the entry {fields['entry']} still stands"]
        elif what == "answer" and not any(
            (act.alarm_id, act.act) == (fields["alarm"], fields["act"]) for act in journal.acts()
        ):
            return [f"no answer in {journal.acts()}"]
    return []
