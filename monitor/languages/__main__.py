"""``python -m monitor.languages``: collect every text of the program, bring the catalogues up to date, say what lacks.

Exits with 1 while a catalogue lacks a text. Texts that are gone are dropped; the order is that of the program, by file.
"""

from __future__ import annotations

import sys

from monitor.languages import FOLDER, LANGUAGES
from monitor.languages.collect import collected, dropped, faults, updated, written


def main() -> int:
    """Write the template and every catalogue; print what is still missing."""
    template = collected()
    lacking = 0
    for language in LANGUAGES[1:]:
        path = FOLDER / f"{language}.po"
        fresh = updated(path, language, template)
        gone = dropped(path, language, fresh)
        path.write_bytes(written(fresh))
        found = faults(fresh)
        lacking += len(found)
        for sentence in [*gone, *found[:40]]:
            print(f"{language}: {sentence}")
        print(f"{language}: {len(template)} texts, {len(found)} to mend")
    return 1 if lacking else 0


if __name__ == "__main__":
    sys.exit(main())
