"""The course of a talk."""

from __future__ import annotations

import numpy as np
import pytest

from voiceover.mentions.course import Course, Direction


def direction(width: int, given: int, **parts: object) -> Direction:
    """One that forgets nothing and learns nothing, but for the parts named."""
    zeros = {
        "inward": np.zeros((3 * width, given)), "inward_bias": np.zeros(3 * width),
        "onward": np.zeros((3 * width, width)), "onward_bias": np.zeros(3 * width),
    }  # fmt: skip
    return Direction(**{name: np.asarray(a, np.float32) for name, a in (zeros | parts).items()})


def test_one_unit_by_hand() -> None:
    """No reset, half of it new at every sentence: 0.5 tanh(1), then 0.5 tanh(0) + half of what was."""
    one = direction(1, 1, inward=[[0], [0], [1]])
    assert one.run(np.array([[1], [0]], np.float32))[:, 0] == pytest.approx([0.5 * np.tanh(1), 0.25 * np.tanh(1)], abs=1e-6)


def test_what_is_new_depends_on_what_is_remembered_as_far_as_it_is_not_reset() -> None:
    """Reset is half, update half: the second state is 0.5 tanh(0.5 * 2 * h) + 0.5 h."""
    one = direction(1, 1, inward=[[0], [0], [1]], onward=[[0], [0], [2]])
    first, second = one.run(np.array([[1], [0]], np.float32))[:, 0]
    assert first == pytest.approx(0.5 * np.tanh(1), abs=1e-6)
    assert second == pytest.approx(0.5 * np.tanh(first) + 0.5 * first, abs=1e-6)


def test_a_sentence_is_judged_by_what_stands_before_and_behind_it() -> None:
    """Forth answers the first place, back the second; only the middle one of three sentences says something."""
    way = direction(1, 1, inward=[[0], [0], [1]])
    course = Course(np.ones((1, 1), np.float32), way, way, np.eye(2, dtype=np.float32))
    judged = course.judge(np.array([[0], [5], [0]], np.float32))
    assert judged[0, 0] == 0 and judged[0, 1] > 0 and judged[2, 0] > 0 and judged[2, 1] == 0
    assert judged[1, 0] == judged[1, 1] > judged[0, 1] == judged[2, 0]


def test_no_sentences() -> None:
    way = direction(1, 1)
    assert Course(np.ones((1, 1), np.float32), way, way, np.eye(2, dtype=np.float32)).judge(np.zeros((0, 1), np.float32)).shape == (0, 2)
