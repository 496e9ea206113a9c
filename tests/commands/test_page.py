"""``page``: where the page is, for a phone."""

from __future__ import annotations

import numpy as np
import zxingcpp

from tests.commands.conftest import Shed


def read_back(text: str) -> list[str]:
    """What ZXing reads in the half blocks that stand in a terminal."""
    rows = [line for line in text.splitlines() if line and set(line) <= set("\u2588\u2580\u2584 ")]
    cells = []
    for line in rows:
        cells += [[sign in "\u2588\u2580" for sign in line], [sign in "\u2588\u2584" for sign in line]]
    picture = np.kron(np.array(cells), np.ones((6, 6))).astype(np.uint8) * 255
    return [found.text for found in zxingcpp.read_barcodes(picture)]


def test_the_terminal_shows_a_code_that_a_camera_reads(shed: Shed) -> None:
    """And the address, to be typed."""
    shed.add_settings('\n[page]\naddress = "http://shed.local:8737"\npassphrase = "hazel under oak"\n')
    said = shed.say("page")
    assert said.code == 0 and "http://shed.local:8737" in said.words
    assert read_back(said.out) == ["http://shed.local:8737"]
    assert max(map(len, said.out.splitlines())) <= 80
    assert "only shows" not in said.words


def test_a_page_for_this_computer_only_is_said_to_be_one(shed: Shed) -> None:
    """With the way to mend it, and exit code 1."""
    said = shed.say("page")
    assert said.code == 1 and 'host = "0.0.0.0"' in said.words and "127.0.0.1:8737" in said.words
    assert shed.say("page", "--json").json == {"address": None, "passphrase": False}


def test_without_a_passphrase_it_says_that_the_page_only_shows(shed: Shed) -> None:
    """So that nobody looks for buttons in vain."""
    shed.add_settings('\n[page]\nhost = "192.168.1.7"\nport = 8080\n')
    said = shed.say("page")
    assert said.code == 0 and "http://192.168.1.7:8080" in said.words and "only shows" in said.words
