"""``python -m tests.golden.make [CHAPTER...]`` writes the kept outputs anew."""

from __future__ import annotations

import shutil
import sys
import time
from pathlib import Path

from .made import CHAPTERS

KEPT = Path(__file__).parent / "kept"


def main(wanted: list[str]) -> None:
    for chapter in wanted or list(CHAPTERS):
        began = time.perf_counter()
        made = CHAPTERS[chapter]()
        shutil.rmtree(KEPT / chapter, ignore_errors=True)
        (KEPT / chapter).mkdir(parents=True)
        for name, text in made.items():
            (KEPT / chapter / f"{name}.txt").write_text(text, "utf-8", newline="")
        print(f"{chapter}: {len(made)} outputs, {time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
