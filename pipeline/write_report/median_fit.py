"""Median regression for curves of loss: one estimate and hundreds of resamples of people, fitted all at once.

The check loss of quantile regression (Koenker and Bassett 1978) is smoothed by a logistic kernel (convolution
smoothing: Fernandes, Guerre and Horta 2021; He, Pan, Tan and Zhou 2023).  Newton's method then fits every resample in
the same few matrix products, and losses that people round to whole per cents do not make the intervals jump.  The
search starts at the unsmoothed fit of statsmodels.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy

    Numbers = numpy.ndarray[Any, numpy.dtype[numpy.float64]]
    Mask = numpy.ndarray[Any, numpy.dtype[numpy.bool_]]
    Places = numpy.ndarray[Any, numpy.dtype[numpy.int64]]

PLAIN, BENT = "root and straight", "spline"
FORMS: dict[str, str] = {
    PLAIN: "a constant, a square root and a straight part",
    BENT: "a restricted cubic spline with four knots",
}
"""The forms that a curve may have -> how the page names them.

Loss at rest grows with the root of time, loss by use about with the distance (Wang et al. 2014, J. Power Sources
269:937).  The spline is taken only where the answers of people left out contradict the plain form (`chosen_form`): a
form picked freely by its fit gave 95 % bands that held 90 to 93 % of the truth.
"""

KNOTS = (0.05, 0.35, 0.65, 0.95)
"""Where the spline's knots lie, as shares of the readings (Harrell, *Regression Modeling Strategies*, table 2.3)."""

FOLDS = 10
FEWEST_FOR_BENT = 200
"""People below which the form is not put in question."""
BENT_AT = 3.0
"""Standard errors by which the spline must err less on people left out."""
NEWTON_STEPS = 15
ENOUGH = 0.05
"""Kernel widths below which a step ends the search."""
SATURATED = 10.0
"""Kernel widths from the curve beyond which a reading's pull is all but whole (0.9999)."""
SPREADS_AROUND = 6.0
"""Standard errors by which a resample's curve may leave the estimate before it is fitted with all readings."""
CELLS_AT_ONCE = 1_500_000
"""Numbers in one block of resamples times readings; more would leave the processor's caches for nothing."""

RIDGE = 1e-9


def basis_of(form: str, x: Numbers) -> Callable[[Numbers], Numbers]:
    """The function that turns values of x (n) into the columns (n, p) of a form; x gives scale and knots."""
    import numpy as np

    scale = float(np.max(np.abs(x))) or 1.0
    knots = np.quantile(x, KNOTS) / scale

    def columns(at: Numbers) -> Numbers:
        z = np.maximum(np.asarray(at, dtype=float) / scale, 0.0)
        parts = [np.sqrt(z), z] if form == PLAIN else [z, *_cubic_parts(z, knots)]
        return np.column_stack([np.ones_like(z), *parts])

    return columns


def _cubic_parts(z: Numbers, knots: Numbers) -> list[Numbers]:
    """The non-linear columns of a restricted cubic spline (Harrell, section 2.4.5), each of about unit size."""
    import numpy as np

    last, before = knots[-1], knots[-2]
    width = max(last - knots[0], 1e-9) ** 2

    def cube(of: float) -> Numbers:
        return np.maximum(z - of, 0.0) ** 3

    gap = max(last - before, 1e-9)
    return [
        (cube(knot) - cube(before) * (last - knot) / gap + cube(last) * (before - knot) / gap) / width
        for knot in knots[:-2]
    ]


def quantile_fit(columns: Numbers, y: Numbers, weights: Numbers | None = None, *, at: float = 0.5) -> Numbers:
    """The coefficients (p) of the `at` quantile of y (n) on `columns` (n, p), each reading counted `weights` (n) times.

    Weights are taken in by multiplying row and value, since the check loss is homogeneous.
    """
    import numpy as np
    from statsmodels.regression.quantile_regression import QuantReg

    if weights is not None:
        kept = weights > 0
        columns, y = columns[kept] * weights[kept, None], y[kept] * weights[kept]
    with warnings.catch_warnings():
        # Values told in whole per cent tie; the search then walks along a flat stretch, where any point is a median.
        warnings.simplefilter("ignore")
        fitted = QuantReg(y, columns).fit(q=at, max_iter=1000)
    return np.asarray(fitted.params, dtype=float)


def smoothing_width(columns: Numbers, y: Numbers) -> float:
    """The width of the kernel in units of y: a quarter of ((p + log n) / n)^(2/5) spreads (He et al.: the whole).

    In simulated audiences the narrower kernel moved the median of skewed losses by a third as much.
    """
    import numpy as np

    n, p = columns.shape
    spread = float(np.subtract(*np.quantile(y, [0.75, 0.25]))) / 1.349 or float(np.std(y)) or 1.0
    return float(0.25 * spread * max(0.05, ((p + np.log(n)) / n) ** 0.4))


def smoothed_fits(columns: Numbers, y: Numbers, counts: Numbers, start: Numbers, *, at: float = 0.5) -> Numbers:
    """The coefficients (r, p) of the smoothed `at` quantile for each row of `counts` (r, n); `start` (p) is near them.

    A reading that lies far from the curve only pulls it up or down, wherever exactly the resample's curve runs; such
    readings are summed up once (the preprocessing of Portnoy and Koenker 1997, Statistical Science 12:279).  A resample
    whose curve ran out of the strip in which readings are looked at one by one is fitted again with all of them.
    """
    import numpy as np

    width = smoothing_width(columns, y)
    rest = y - columns @ start
    strip = SATURATED * width + SPREADS_AROUND * _spread_of_fit(columns, rest, width)
    near = np.abs(rest) <= strip
    pull = np.where(rest > 0, 0.5, -0.5) + (at - 0.5)
    fitted = np.empty((len(counts), columns.shape[1]))
    block = max(1, CELLS_AT_ONCE // len(y))
    for first in range(0, len(counts), block):
        chosen = counts[first : first + block]
        base = (chosen[:, ~near] * pull[~near]) @ columns[~near]
        told = _newton(columns[near], y[near], chosen[:, near], base, start, width, at)
        moved = np.abs((told - start) @ columns.T)
        astray = (moved > strip - SATURATED * width).any(axis=1)
        if astray.any():
            none = np.zeros((int(astray.sum()), columns.shape[1]))
            told[astray] = _newton(columns, y, chosen[astray], none, start, width, at)
        fitted[first : first + block] = told
    return fitted


def _spread_of_fit(columns: Numbers, rest: Numbers, width: float) -> Numbers:
    """About the standard error of the curve at each reading (n), readings taken as independent (Powell's sandwich)."""
    import numpy as np

    n, p = columns.shape
    window = max(width, float(np.quantile(np.abs(rest), min(1.0, 10 * p / n))))
    density = (columns * (np.abs(rest) <= window)[:, None]).T @ columns / (2 * window)
    inverse = np.linalg.pinv(density)
    cover = inverse @ (columns.T @ columns / 4) @ inverse
    error: Numbers = np.sqrt(np.maximum(np.einsum("np,pq,nq->n", columns, cover, columns), 0.0))
    return error


def _newton(
    columns: Numbers, y: Numbers, counts: Numbers, base: Numbers, start: Numbers, width: float, at: float
) -> Numbers:
    """Newton's method for each row of `counts` (r, n); `base` (r, p) is what the readings left out pull.

    The kernel narrows over the first steps, and no step is longer than a few of its widths at any reading.  Sums run in
    single precision: their error lies far below the rounding in which losses are told.
    """
    import numpy as np

    p = columns.shape[1]
    pairs = [(one, other) for one in range(p) for other in range(one, p)]
    single = columns.astype(np.float32)
    products = np.column_stack([single[:, one] * single[:, other] for one, other in pairs])
    held, values = counts.astype(np.float32), y.astype(np.float32)
    told = np.tile(start, (len(counts), 1))
    # Relative to the sizes of the columns: a resample may lack a whole group, whose column is then empty.
    ridge = RIDGE * products[:, [pairs.index((one, one)) for one in range(p)]].sum(axis=0) + RIDGE
    floor = 1e-6 * counts.sum(axis=1, keepdims=True) / width
    reach = np.abs(columns).max(axis=0)
    moving = np.arange(len(counts))
    for step in range(NEWTON_STEPS):
        h = width * max(1.0, 2.0 - step / 2)
        mine = held[moving]
        # Half the hyperbolic tangent of r / 2h is the logistic distribution function less one half.
        rise = np.tanh((values - told[moving].astype(np.float32) @ single.T) / np.float32(2 * h))
        slope = base[moving] + (mine * (rise / 2 + np.float32(at - 0.5))) @ single
        density = (mine * (1 - rise * rise)) @ products / (4 * h)
        bend = np.empty((len(moving), p, p))
        for place, (one, other) in enumerate(pairs):
            bend[:, one, other] = bend[:, other, one] = density[:, place]
        bend[:, range(p), range(p)] += ridge + floor[moving]
        move = np.linalg.solve(bend, slope[..., None].astype(float))[..., 0]
        longest = (np.abs(move) * reach).max(axis=1, keepdims=True)
        told[moving] += move * np.minimum(1.0, 8 * h / np.maximum(longest, 1e-12))
        if step >= 2:
            moving = moving[longest[:, 0] > ENOUGH * width]
            if not len(moving):
                break
    return told


def chosen_form(x: Numbers, y: Numbers, person: Places) -> tuple[str, float]:
    """The form for readings y at x; by how many standard errors the spline errs less on people left out (ten parts).

    `person` (n) numbers whom a reading came from: a person's readings are left out together.
    """
    import numpy as np

    people, theirs = np.unique(person, return_inverse=True)
    if len(people) < FEWEST_FOR_BENT:
        return PLAIN, 0.0
    part = (np.random.default_rng(len(people)).permutation(len(people)) % FOLDS)[theirs]
    kept = (np.arange(FOLDS)[:, None] != part[None, :]).astype(float)
    errors = {}
    for form in FORMS:
        columns = basis_of(form, x)(x)
        fitted = smoothed_fits(columns, y, kept, quantile_fit(columns, y))
        errors[form] = np.abs(y - np.einsum("np,np->n", columns, fitted[part]))
    gain = np.bincount(theirs, errors[PLAIN] - errors[BENT])
    error = float(np.std(gain)) / np.sqrt(len(people))
    better = float(np.mean(gain)) / error if error > 0 else 0.0
    return (BENT if better > BENT_AT else PLAIN), better


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve: `coefficients` (p) and those of the resamples (r, p), on the columns that `basis` makes."""

    form: str
    basis: Callable[[Numbers], Numbers]
    coefficients: Numbers
    resampled: Numbers
    people: int

    def at(self, x: Numbers) -> Numbers:
        """The median loss (m) at places x (m)."""
        return self.basis(x) @ self.coefficients

    def resamples_at(self, x: Numbers) -> Numbers:
        """The median loss (r, m) of each resample at places x (m)."""
        return self.resampled @ self.basis(x).T

    def interval(self, x: Numbers, level: float = 0.95) -> tuple[Numbers, Numbers]:
        """The lower and upper ends (m) of the interval at places x (m)."""
        return interval_of(self.resamples_at(x), self.people, len(self.coefficients), level)


def interval_of(resamples: Numbers, people: int, parameters: int, level: float = 0.95) -> tuple[Numbers, Numbers]:
    """The expanded percentile interval (m each) of resampled figures (r, m).

    The percentiles lie further out by what a sample of `people` with `parameters` fitted leaves unknown (Hesterberg
    2015, The American Statistician 69:371, section 4.2); plain percentile intervals are too short in small samples.
    """
    import numpy as np
    from scipy.stats import norm, t

    free = max(people - parameters, 1)
    tail = 100 * float(norm.cdf(-np.sqrt(people / free) * t.ppf((1 + level) / 2, free)))
    low, high = np.percentile(resamples, [tail, 100 - tail], axis=0)
    return low, high


def fit_curve(
    x: Numbers, y: Numbers, person: Places, draws: Numbers, *, weights: Numbers | None = None, form: str = PLAIN
) -> Curve:
    """The median of y (n) along x (n); `draws` (r, people) says how often each resample holds each person.

    `person` (n) is the place of a reading's person in `draws`; `weights` (n) count a reading for more or less.
    """
    import numpy as np

    basis = basis_of(form, x)
    columns = basis(x)
    coefficients, resampled = fit_resampled(columns, y, draws[:, person], weights=weights)
    return Curve(form, basis, coefficients, resampled, len(np.unique(person)))


def fit_resampled(
    columns: Numbers, y: Numbers, counts: Numbers, *, weights: Numbers | None = None
) -> tuple[Numbers, Numbers]:
    """Smoothed median regression of y (n) on `columns` (n, p): coefficients (p), and those of the resamples (r, p).

    `counts` (r, n) says how often each resample holds each reading.
    """
    import numpy as np

    base = np.ones(len(y)) if weights is None else weights
    start = quantile_fit(columns, y, weights)
    coefficients = smoothed_fits(columns, y, base[None, :], start)[0]
    counts = counts if weights is None else counts * base[None, :]
    return coefficients, smoothed_fits(columns, y, counts, coefficients)


def draw_people(people: int, resamples: int, seed: int) -> Numbers:
    """How often each of `resamples` resamples holds each of `people` people (r, people): drawn with replacement."""
    import numpy as np

    if not people:
        return np.zeros((resamples, 0))
    even = np.full(people, 1 / people)
    return np.random.default_rng(seed).multinomial(people, even, size=resamples).astype(float)


def lowess_curve(x: Numbers, y: Numbers, at: Numbers) -> Numbers:
    """LOWESS with R's defaults (two thirds of the readings, three robust rounds; Cleveland 1979) at the places `at`."""
    import numpy as np
    from statsmodels.nonparametric.smoothers_lowess import lowess

    spread = float(np.ptp(x))
    # Beyond some hundred readings, fits closer together than a hundredth of the range are interpolated, as R does.
    smoothed = lowess(y, x, frac=2 / 3, it=3, delta=0.01 * spread, return_sorted=True)
    places, first = np.unique(smoothed[:, 0], return_index=True)
    told: Numbers = np.interp(at, places, smoothed[first, 1])
    return told
