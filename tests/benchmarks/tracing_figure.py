"""The figure of `tests.benchmarks.tracing`: two reliability diagrams and the callouts needed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from diagnose.report.pictures.canvas import FAINT, INK, PAPER, PLAIN, THIN, Canvas, Pen
from tests.benchmarks.tracing import MOST

SIDE, GAP, TOP, LEFT = 300.0, 100.0, 84.0, 76.0
SMALL = 13.0
BLUE, ORANGE = "#1f5fa8", "#b35900"
LOOKS = {"stepwise": (BLUE, ""), "growing": (ORANGE, "7 3")}
LINES = {"chosen": "", "random": "2 3", "by_skill": "9 3 2 3"}
NAMES = {
    "stepwise": "knows or does not",
    "growing": "grows",
    "chosen": "as chosen",
    "random": "at random",
    "by_skill": "at random by skill",
}


def figure(result: Mapping[str, Any]) -> str:
    """The result of the benchmark as SVG."""
    count = result["learners_of_each_kind"]
    said = (
        f"{count} simulated learners of each of two kinds, exercises as the program chooses them "
        "(calibration) and in three orders (callouts)."
    )
    title = "Knowledge tracing on simulated learners"
    canvas = Canvas(title, said, LEFT + 3 * SIDE + 2 * GAP + 96, TOP + SIDE + 150)
    canvas.text(LEFT, 32, title, 18, bold=True)
    canvas.text(LEFT, 54, said, SMALL)
    _reliability(
        canvas, LEFT, result, "foretold", "Chance of doing it right, foretold", "Share right"
    )
    second = LEFT + SIDE + GAP
    _reliability(
        canvas, second, result, "mastery", "Chance of mastery, stated", "Share that had it"
    )
    _callouts(canvas, second + SIDE + GAP, result)
    return canvas.svg()


def _frame(canvas: Canvas, left: float, below: str, beside: str) -> None:
    canvas.box(left, TOP, SIDE, SIDE, THIN)
    canvas.text(left + SIDE / 2, TOP + SIDE + 42, below, SMALL, "middle")
    canvas.text(left, TOP - 8, beside, SMALL)


def _share_axis(canvas: Canvas, left: float) -> None:
    for k in range(6):
        y = TOP + SIDE * (1 - k / 5)
        canvas.line([(left - 5, y), (left, y)], THIN)
        canvas.text(left - 9, y + 4, f"{20 * k} %", SMALL, "end")


def _reliability(
    canvas: Canvas, left: float, result: Mapping[str, Any], what: str, below: str, beside: str
) -> None:
    _frame(canvas, left, below, beside)
    _share_axis(canvas, left)
    for k in range(6):
        x = left + SIDE * k / 5
        canvas.line([(x, TOP + SIDE), (x, TOP + SIDE + 5)], THIN)
        canvas.text(x, TOP + SIDE + 20, f"{20 * k} %", SMALL, "middle")
    canvas.line([(left, TOP + SIDE), (left + SIDE, TOP)], Pen(FAINT, 1.2, "3 3"))
    for row, (kind, (ink, dash)) in enumerate(LOOKS.items()):
        found = result[kind][what]["chosen"]
        points = [(left + SIDE * s, TOP + SIDE * (1 - t)) for s, t, _ in found["bins"]]
        canvas.line(points, Pen(ink, 1.8, dash))
        most = max(n for _, _, n in found["bins"])
        for (x, y), (_, _, n) in zip(points, found["bins"], strict=True):
            canvas.circle(x, y, 2.5 + 5 * float(np.sqrt(n / most)), Pen(ink, 1.4, fill=PAPER))
        y = TOP + SIDE + 66 + 20 * row
        canvas.line([(left, y - 4), (left + 34, y - 4)], Pen(ink, 1.8, dash))
        error = f"{NAMES[kind]}: calibration error {100 * found['ece']:.1f} %"
        canvas.text(left + 42, y, error, SMALL)
    canvas.text(left, TOP + SIDE + 108, "circle: how many; grey: perfect", SMALL, ink=INK)


def _callouts(canvas: Canvas, left: float, result: Mapping[str, Any]) -> None:
    _frame(canvas, left, "Callouts", "Share who have mastered every skill")
    _share_axis(canvas, left)
    counts = {
        (kind, order): sorted(result[kind]["truly"]["counts"][order])
        for kind in LOOKS
        for order in LINES
    }
    longest = max(own[int(0.95 * (len(own) - 1))] for own in counts.values())
    step = 25 if longest <= 150 else 50 if longest <= 300 else 100
    most = step * (1 + longest // step)
    for n in range(0, most + 1, step):
        x = left + SIDE * n / most
        canvas.line([(x, TOP + SIDE), (x, TOP + SIDE + 5)], THIN)
        canvas.text(x, TOP + SIDE + 20, f"{n}", SMALL, "middle")
    for (kind, order), own in counts.items():
        canvas.line(_steps(own, left, most), Pen(LOOKS[kind][0], 1.8, LINES[order]))
    for row, (order, dash) in enumerate(LINES.items()):
        y = TOP + SIDE + 66 + 20 * row
        canvas.line([(left, y - 4), (left + 40, y - 4)], Pen(PLAIN.ink, 1.8, dash))
        canvas.text(left + 48, y, NAMES[order], SMALL)
    for row, (kind, (ink, _)) in enumerate(LOOKS.items()):
        saved = result[kind]["truly"]["against_random"]
        y = TOP + SIDE + 66 + 20 * row
        canvas.text(
            left + 176, y, f"{NAMES[kind]}: {100 * saved['saved']:.0f} % saved", SMALL, ink=ink
        )


def _steps(own: Sequence[int], left: float, most: int) -> list[tuple[float, float]]:
    """The share of learners that need at most so many callouts, as a line of steps."""
    points = [(left, TOP + SIDE)]
    for done, n in enumerate(own, 1):
        x = left + SIDE * min(n, most) / most
        points.append((x, points[-1][1]))
        if n >= min(most, MOST):
            break
        points.append((x, TOP + SIDE * (1 - done / len(own))))
    return points
