"""What is looked at on every page: accessibility by axe-core, room, sizes of targets, and what was asked for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any
from urllib.parse import urlsplit

from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Browser, BrowserContext, Page

WIDTHS = (360, 768, 1280)
# WCAG 2.2, levels A and AA; and what axe's makers call best practice.
TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
# axe's name for the rules that look at colours.
COLOURS = ("cat.color",)
SMALLEST_TARGET_PX = 48
FOR_GLOVES_PX = 64
FIGURE_PX = 64

# Everything folded away is opened first: it has to hold there too. One script, so that no news comes in between.
_OPEN_ALL = "for (const one of document.querySelectorAll('details')) one.open = true;"
_AXE = f"""async (tags) => {{
  {_OPEN_ALL}
  const found = await axe.run(document, {{ runOnly: {{ type: 'tag', values: tags }}, resultTypes: ['violations'] }});
  return found.violations.map((one) => ({{
    id: one.id, help: one.help,
    where: one.nodes.map((node) => node.target.join(' ') + ': ' + node.html.slice(0, 120) + ' '
      + node.any.concat(node.all, node.none).map((check) => check.message).join(' ').slice(0, 300)),
  }}));
}}"""

_SIZES = f"""() => {{
  {_OPEN_ALL}
  const faults = [];
  const shown = (node) => node.checkVisibility({{ checkOpacity: true, checkVisibilityCSS: true }});
  const words = (node) => (node.innerText || node.value || node.id || '').trim().slice(0, 40);
  const name = (node) => node.tagName.toLowerCase() + ' "' + words(node) + '"';
  const wide = document.documentElement.scrollWidth, room = document.documentElement.clientWidth;
  if (wide > room) faults.push('scrolls sideways: ' + wide + ' px in a window of ' + room);
  const toPress = 'a[href], button, summary, select, textarea, input:not([type=hidden]), [role=button], [tabindex="0"]';
  for (const node of document.querySelectorAll(toPress)) {{
    if (!shown(node) || node.classList.contains('unseen')) continue;
    const boxed = node.matches('input[type=radio], input[type=checkbox]') && node.closest('label');
    const box = (boxed || node).getBoundingClientRect();
    const wanted = node.matches('.press') ? {FOR_GLOVES_PX} : {SMALLEST_TARGET_PX};
    if (box.height < wanted - 0.5 || box.width < {SMALLEST_TARGET_PX} - 0.5)
      faults.push('too small to press: ' + name(node) + ' ' + Math.round(box.width) + ' x ' + Math.round(box.height));
    if (box.right > room + 1 || box.left < -1) faults.push('out of the window: ' + name(node));
  }}
  return faults;
}}"""

_FIGURES = """() => Array.from(
  document.querySelectorAll('.figure b'), (node) => parseFloat(getComputedStyle(node).fontSize))"""


def axe_faults(page: Page, tags: Sequence[str] = TAGS) -> list[str]:
    """What axe-core finds against the page as it stands, one line for each rule."""
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(AXE_SCRIPT)
    found: list[Mapping[str, Any]] = page.evaluate(_AXE, list(tags))
    return [f"axe {one['id']} ({one['help']}): {'; '.join(one['where'][:3])}" for one in found]


def size_faults(page: Page) -> list[str]:
    """What scrolls sideways or is too small for a wet glove."""
    return list(page.evaluate(_SIZES))


def figure_sizes_px(page: Page) -> list[float]:
    """The type size of each bucket's temperature."""
    return list(page.evaluate(_FIGURES))


def settle(page: Page) -> None:
    """Wait until what follows a change of the window or the scheme is drawn."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done())))")


class Listener:
    """Hears what a page complains of and asks for; ``host`` is the only one it may ask, beside those of ours that it
    was at before (``also``).
    """

    def __init__(self, context: BrowserContext, base: str) -> None:
        self.faults: list[str] = []
        self.host = urlsplit(base).netloc
        self.also: set[str] = set()
        context.on("console", lambda said: self._said(said.type, said.text))
        context.on("weberror", lambda error: self.faults.append(f"script error: {error.error}"))
        context.on("request", lambda request: self._asked(request.url))
        context.on("response", lambda answer: self._answered(answer.status, answer.url))

    def _said(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.faults.append(f"console {kind}: {text}")

    def _asked(self, url: str) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("data", "blob", "about") and parts.netloc not in (self.host, *self.also):
            self.faults.append(f"asks another host: {url}")

    def _answered(self, status: int, url: str) -> None:
        if status >= 400:
            self.faults.append(f"{status} for {url}")

    def taken(self) -> list[str]:
        """The faults since the last call."""
        faults, self.faults = self.faults, []
        return faults


@contextmanager
def visitor(browser: Browser, base: str, **how: Any) -> Iterator[tuple[Page, Listener]]:
    """A visitor with cookies of their own, and what their pages complain of."""
    context = browser.new_context(base_url=base, **how)
    context.set_default_timeout(15_000)
    try:
        listener = Listener(context, base)
        yield context.new_page(), listener
    finally:
        context.close()


def enter(page: Page, passphrase: str) -> None:
    """Give the passphrase at the door, as a person does."""
    page.goto("/enter")
    page.get_by_label("The passphrase of this page").fill(passphrase)
    page.get_by_role("button", name="Let me in").click()
    page.wait_for_url("**/")


def stamp(page: Page) -> None:
    """Mark the document that is open now."""
    page.evaluate("() => { window.stamped = true; }")


def same_document(page: Page) -> bool:
    """Whether it is still the one that was stamped: nothing has loaded anew."""
    return bool(page.evaluate("() => window.stamped === true"))


def wire_sizes(page: Page) -> dict[str, int]:
    """Bytes as they came over the wire, headers included, by address; without the stream of events."""
    return dict(
        page.evaluate(
            """() => Object.fromEntries(
              [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
                .filter((one) => !one.name.endsWith('/live'))
                .map((one) => [new URL(one.name).pathname, one.transferSize]))"""
        )
    )
