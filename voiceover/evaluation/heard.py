"""Score the tool through recognition: python -m voiceover.evaluation.heard FOLDER [--model NAME] [--results DIR]

FOLDER holds marked narrations with their sound (NN-slug.ogg beside NN-slug.json), which the project does not carry.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

from voiceover.evaluation.marked import ROOT, narrations_in
from voiceover.outputs import write_breakdown
from voiceover.pipeline import LogOptions, log


def main() -> None:
    """Recognise, log and score every narration of a folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--model", default="auto")
    parser.add_argument("--results", type=Path, help="keep the written files here")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        results = options.results or Path(scratch)
        for source in narrations_in(options.folder):
            stem = source.with_suffix("")
            doc = json.loads(source.read_text(encoding="utf-8"))
            breakdown = log(
                Path(f"{stem}.ogg"),
                LogOptions(
                    playhead=f"{stem}.playhead.csv", roster=Path(f"{stem}.roster.csv"), model=options.model,
                    from_clip_s=0.0, to_clip_s=doc["clip_duration_s"],
                ),
            )  # fmt: skip
            write_breakdown(breakdown, results / source.stem)
        command = [sys.executable, str(ROOT / "score.py"), str(options.folder), str(results), "--each"]
        sys.stdout.write(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


if __name__ == "__main__":
    main()
