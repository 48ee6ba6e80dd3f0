"""``python -m convert.cli.lesson_store [ID]...``: work the built-in lesson out, store the answers.

For contributors, after a change of ``builtin.json`` or of how exercises are written.  With ids
only those are worked out anew and the other stored answers stay.  Takes minutes: the solver is
given the time that its deep effort allows.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from convert.cli.common import SolverProgress, make_bench, whole_file
from convert.cli.streams import note


def main(only: Sequence[str] = ()) -> int:
    """Write ``builtin_sheet.json`` beside the positions; 1 if a position is unsound."""
    import convert.lesson
    from convert.lesson.builtin import (
        INTRO,
        STORED,
        TITLE,
        UnsoundEntry,
        compute_one,
        entries,
        stored,
    )
    from convert.lesson.choose import in_order
    from convert.lesson.sheet import make_sheet
    from convert.reports.json_text import document

    solving = SolverProgress()
    bench = make_bench((), "deep", tell=solving, installed=False)
    path = Path(convert.lesson.__file__).with_name(STORED)
    known = {entry.id for entry in entries()}
    done = {e.ident: e for e in stored() if e.ident in known} if only else {}
    unsound = 0
    for entry in entries():
        if only and entry.id not in only:
            continue
        try:
            before = [e.id for e in entries()]
            earlier = before[: before.index(entry.id)]
            used = [done[ident].hint for ident in earlier if ident in done]
            done[entry.id] = compute_one(bench, entry, used)
            note(f"{entry.id}: done")
        except (UnsoundEntry, ValueError) as err:
            note(f"unsound: {err}")
            unsound += 1
        solving.done()
        sheet = make_sheet(TITLE, in_order(done.values()), intro=INTRO, figures=False)
        with whole_file(str(path)) as file:
            file.write(document(sheet))
    note(f"{path}: {len(done)} exercises, {unsound} unsound")
    return 1 if unsound else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
