"""The one pass over the recording: follow the clip, notice when it goes, find it again."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from voiceover.media.frames import Luma, LumaFrame
from voiceover.playhead.screen_bank import ClipBank, Thumbnailer
from voiceover.playhead.screen_locate import ENTER, ENTER_WINDOW, Locator, Target, refine, refine_together, settle, verify
from voiceover.playhead.screen_match import Fit, Matcher, same_picture
from voiceover.playhead.screen_path import PathFinder, Seen

# Below this likeness a clip that was followed is gone; lower than ENTER, so that a hand in front of it does not end it.
LEAVE = 0.45
# The same as a share of the likeness so far: a clip that fitted well and suddenly fits half is another picture.
LEAVE_SHARE = 0.6
# A sudden fall of the agreement or rise of the misfit by this much: look whether it sits elsewhere now.
FALL = 0.12
RISE = 1.6
# After a search of the whole screen that found nothing: wait, seconds, longer each time unless the picture is a new one.
SEARCH_WAIT_S = (0.1, 4.0)
MAX_TARGETS = 12
# Regions closer than this, as a share of their width, are the same place.
SAME_PLACE = 0.02
# How often the region is checked, seconds: at first, and after so many times.
PULL_S = (0.25, 1.0)
MANY_PULLS = 24
# How often what covers the clip is learned, and how often the whole clip is searched though all is well, seconds.
LEARN_S = 0.09
# So many pictures in a row have to be steady, and pictures further apart than this, seconds, are all looked at.
TRAIL = 5
HOLD_S = 0.05
SEARCH_S = 0.15
# Where a clip is found after a search that waits its turn, the pictures before it are looked at again, so far back, seconds.
BACK_S = 0.35


@dataclass(slots=True)
class _State:
    matcher: Matcher
    path: PathFinder
    thumb: Luma
    agreement: float
    misfit: float
    learned_s: float
    pulled_s: float
    pulls: int = 0
    searched_s: float = -10.0
    held: tuple[float, Luma] | None = None
    """A picture that is looked at only if the next one is not as expected."""
    trail: list[tuple[float, float]] = field(default_factory=list)
    """The last pictures: narration and clip time, seconds."""

    def steady(self, time_s: float) -> bool:
        """Whether the clip has been running evenly and the picture comes soon after the one before."""
        if len(self.trail) < TRAIL or time_s - self.trail[-1][0] > HOLD_S:
            return False
        slack = 1.1 * self.matcher.bank.frame_s
        return all(abs(self._expected(t) - c) <= slack for t, c in self.trail)

    def goes_on(self, time_s: float, fit: Fit) -> bool:
        """Whether a picture is what even running leads to."""
        bank = self.matcher.bank
        return not fit.searched and abs(self._expected(time_s) - float(bank.times_s[fit.best])) <= 0.75 * bank.frame_s

    def _expected(self, time_s: float) -> float:
        (t0, c0), (t1, c1) = self.trail[0], self.trail[-1]
        return c1 + (c1 - c0) / max(1e-3, t1 - t0) * (time_s - t1)


@dataclass(slots=True)
class Scanner:
    """Turns frames of the recording into what each shows."""

    banks: Sequence[ClipBank]
    locator: Locator
    targets: list[Target] = field(default_factory=list)
    """Places known from a first look, best first."""
    _state: _State | None = None
    _place: int = 0
    _wait_s: float = SEARCH_WAIT_S[0]
    _searched_s: float = -10.0
    _searched_picture: Luma | None = None
    _glance: Luma | None = None
    _pending: list[tuple[float, Luma]] = field(default_factory=list)
    """Pictures without a clip that a find right after them may still change."""

    def scan(self, frames: Iterator[LumaFrame], progress: Callable[[float], None] | None = None) -> Iterator[Seen]:
        """What each frame of the recording shows, in order, with a delay of some seconds."""
        count = 0
        for frame in frames:
            yield from self._one(frame.time_s, frame.luma)
            count += 1
            if progress and count % 60 == 0:
                progress(frame.time_s)
        yield from (nothing(time_s) for time_s, _ in self._pending)
        if self._state is not None:
            yield from self._state.path.finish()

    def _one(self, time_s: float, luma: Luma) -> Iterator[Seen]:
        state = self._state
        if state is None:
            found = self._search(luma, time_s)
            if found is not None:
                yield from self._begin(time_s, luma, found)
                return
            self._pending.append((time_s, luma.copy()))
            while time_s - self._pending[0][0] > BACK_S:
                yield nothing(self._pending.pop(0)[0])
            return
        thumb = state.matcher.thumbnailer(luma)
        still = same_picture(thumb, state.thumb)
        if not still and state.held is None and state.steady(time_s):
            # While it runs evenly every other picture is only kept; it is looked at when the next one is not as expected.
            state.held = (time_s, thumb)
            return
        if not still:
            fit = self._fit(state, time_s, thumb)
            held, state.held = state.held, None
            if held is None or state.goes_on(time_s, fit):
                yield from self._decide(time_s, luma, state, fit, thumb)
                return
            unclear_s = yield from self._release(state, held)
            yield from self._decide(time_s, luma, state, self._fit(state, time_s, thumb), thumb, unclear_s)
            return
        unclear_s = None
        if state.held is not None:
            held, state.held = state.held, None
            unclear_s = yield from self._release(state, held)
        last = state.path.last_fit()
        if last is not None and same_picture(thumb, state.thumb):
            yield from state.path.add(time_s, last, False, self._place)
        else:
            yield from self._decide(time_s, luma, state, self._fit(state, time_s, thumb), thumb, unclear_s)

    def _release(self, state: _State, held: tuple[float, Luma]) -> Generator[Seen, None, float | None]:
        """Look at the picture that was kept; its time comes back where the clip is not seen in it at the same place."""
        fit = self._fit(state, *held)
        if self._is_worse(state, fit):
            return held[0]
        yield from self._keep(held[0], state, fit, held[1])
        return None

    def _fit(self, state: _State, time_s: float, thumb: Luma) -> Fit:
        often = time_s - state.searched_s < SEARCH_S
        fit = state.matcher.fit(thumb, state.path.windows(time_s), usual_misfit=state.misfit if often else -1.0)
        if fit.searched:
            state.searched_s = time_s
        return fit

    @staticmethod
    def _is_worse(state: _State, fit: Fit) -> bool:
        return fit.agreement < state.agreement - FALL or fit.misfit > state.misfit * RISE + 0.03

    def _decide(self, time_s: float, luma: Luma, state: _State, fit: Fit, thumb: Luma, unclear_s: float | None = None) -> Iterator[Seen]:
        """Keep following, or look elsewhere, or say that the clip is gone (from unclear_s on, where that is given)."""
        if self._is_worse(state, fit):
            fit, thumb = self._look_around(luma, time_s, state, fit, thumb)
        if fit.agreement >= max(LEAVE, LEAVE_SHARE * state.agreement):
            yield from self._keep(time_s, state, fit, thumb)
            return
        found = self._search(luma, time_s)
        yield from state.path.finish()
        self._state = None
        if unclear_s is not None:
            yield nothing(unclear_s)
        if found is not None:
            yield from self._begin(time_s, luma, found)
        else:
            yield nothing(time_s)

    def _keep(self, time_s: float, state: _State, fit: Fit, thumb: Luma) -> Iterator[Seen]:
        yield from state.path.add(time_s, fit, True, self._place)
        sure = fit.agreement >= ENTER and state.path.current() == fit.best
        if sure and time_s - state.learned_s > LEARN_S:
            state.matcher.learn(min(0.5, time_s - state.learned_s))
            state.learned_s = time_s
        if sure and time_s - state.pulled_s > PULL_S[state.pulls > MANY_PULLS]:
            state.pulls += 1
            state.pulled_s = time_s
            region = state.matcher.pull()
            if region is not None:
                state.matcher.move_to(region)
                self._remember(state.matcher.target)
        state.thumb = thumb
        state.trail = [*state.trail[-TRAIL + 1 :], (time_s, float(state.matcher.bank.times_s[state.path.current()]))]
        state.agreement += 0.1 * (fit.agreement - state.agreement)
        state.misfit += 0.1 * (fit.misfit - state.misfit)

    def _begin(self, time_s: float, luma: Luma, target: Target) -> Iterator[Seen]:
        matcher = Matcher(target)
        path = PathFinder(target.bank.index, target.bank.times_s, target.bank.frame_s)
        self._place += 1
        reach = max(3, round(0.1 / target.bank.frame_s))
        enough = max(LEAVE, LEAVE_SHARE * target.agreement)
        earlier: list[tuple[float, Fit]] = []
        while self._pending:
            before_s, picture = self._pending[-1]
            fit = matcher.fit(matcher.thumbnailer(picture), [(target.frame - reach, target.frame + reach + 1)])
            if fit.agreement < enough:
                break
            earlier.append((before_s, fit))
            self._pending.pop()
        yield from (nothing(before_s) for before_s, _ in self._pending)
        self._pending.clear()
        for before_s, fit in reversed(earlier):
            yield from path.add(before_s, fit, True, self._place)
        thumb = matcher.thumbnailer(luma)
        fit = matcher.fit(thumb, [(target.frame - reach, target.frame + reach + 1)])
        self._wait_s = SEARCH_WAIT_S[0]
        self._state = _State(matcher, path, thumb, fit.agreement, fit.misfit, time_s, time_s)
        yield from path.add(time_s, fit, True, self._place)

    def _look_around(self, luma: Luma, time_s: float, state: _State, fit: Fit, thumb: Luma) -> tuple[Fit, Luma]:
        """The picture suddenly fits worse: try whether the same clip has moved a little, or sits at another known place."""
        bank, here = state.matcher.bank, state.matcher.thumbnailer.region
        best, best_fit, best_thumb = None, fit, thumb
        region = refine(luma, bank, here, fit.best)
        regions = [] if region is None or region.distance(here) < 0.002 else [settle(luma, bank, region, fit.best)[0]]
        regions += [t.region for t in self.targets if t.bank is bank and t.region.distance(here) > SAME_PLACE]
        for region in regions:
            trial = Matcher(Target(bank, region, Thumbnailer(region, state.matcher.thumbnailer.canvas, bank.size), 0.0))
            trial_thumb = trial.thumbnailer(luma)
            trial_fit = trial.fit(trial_thumb, state.path.windows(time_s))
            if trial_fit.agreement > best_fit.agreement + 0.05:
                best, best_fit, best_thumb = trial, trial_fit, trial_thumb
        if best is None and fit.agreement < ENTER:
            found = self._search(luma, time_s)
            if found is not None and found.bank is bank and found.agreement > fit.agreement + 0.05:
                best = Matcher(found)
                best_thumb = best.thumbnailer(luma)
                best_fit = best.fit(best_thumb, state.path.windows(time_s))
        if best is not None:
            if best.thumbnailer.region.distance(here) > SAME_PLACE:
                self._place += 1
            state.matcher = best
            state.agreement, state.misfit = best_fit.agreement, best_fit.misfit
        return best_fit, best_thumb

    def _search(self, luma: Luma, time_s: float) -> Target | None:
        """Look for any clip: at known places first, then on the whole screen where that is worth it."""
        glance = np.asarray(cv2.resize(luma, (64, 36), interpolation=cv2.INTER_NEAREST), np.uint8)
        if self._glance is not None and self._state is None and np.array_equal(glance, self._glance):
            return None
        self._glance = glance
        best: Target | None = None
        for known in self.targets[:MAX_TARGETS]:
            if known.thumbnailer.canvas != luma.shape:
                continue
            target = self._check(luma, known)
            if target.agreement >= (ENTER if known.open_part is None else ENTER_WINDOW) and (
                best is None or target.agreement > best.agreement
            ):
                best = target
        if best is not None:
            return best
        new = self._searched_picture is None or float(cv2.norm(glance, self._searched_picture, cv2.NORM_L1)) > 12 * glance.size
        if time_s - self._searched_s < (SEARCH_WAIT_S[0] if new else self._wait_s):
            return None
        self._searched_s, self._searched_picture = time_s, glance
        self._wait_s = min(SEARCH_WAIT_S[1], self._wait_s * 2)
        found = self.locator.locate(luma)
        if found is not None:
            self._remember(found)
        return found

    def _check(self, luma: Luma, known: Target) -> Target:
        matcher = Matcher(known)
        fit = matcher.fit(known.thumbnailer(luma), [])
        return replace(known, agreement=fit.agreement, frame=fit.best)

    def _remember(self, target: Target) -> None:
        for i, known in enumerate(self.targets):
            if known.bank is target.bank and known.region.distance(target.region) < SAME_PLACE:
                self.targets[i] = target
                return
        self.targets.insert(0, target)
        del self.targets[MAX_TARGETS:]


def nothing(time_s: float) -> Seen:
    """No clip is on screen."""
    return Seen(time_s, -1, -1, 1.0, 0.0, 0.0, -1, True, 0)


def first_look(locator: Locator, frames: Sequence[LumaFrame]) -> list[Target]:
    """Places where clips sit on some frames of the recording, those that most frames agree on first."""
    groups: list[list[tuple[LumaFrame, Target]]] = []
    for frame in frames:
        known = [verify(frame.luma, g[0][1].bank, g[0][1].region, exact=False) for g in groups]
        best = max((k for k in known if k is not None), key=lambda k: k.agreement, default=None)
        if best is None or best.agreement < 0.7:
            found = locator.locate(frame.luma)
            if found is not None and (best is None or found.agreement > best.agreement + 0.05):
                best = found
        if best is None:
            continue
        for group in groups:
            if group[0][1].bank is best.bank and group[0][1].region.distance(best.region) < SAME_PLACE:
                group.append((frame, best))
                break
        else:
            groups.append([(frame, best)])
    groups.sort(key=lambda g: -sum(t.agreement for _, t in g))
    return [_together(g) for g in groups]


def _together(group: list[tuple[LumaFrame, Target]]) -> Target:
    """One exact place for all screens of a group."""
    middle = min((t for _, t in group), key=lambda t: sum(t.region.distance(o.region) for _, o in group))
    some = group[:: max(1, len(group) // 10)]
    region = refine_together([f.luma for f, _ in some], middle.bank, middle.region, [t.frame for _, t in some])
    canvas = middle.thumbnailer.canvas
    return replace(middle, region=region, thumbnailer=Thumbnailer(region, canvas, middle.bank.size))
