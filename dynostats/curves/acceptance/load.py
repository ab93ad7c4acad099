"""Was the engine at full load all the way up: torque that falls away, speed that falls back."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from dynostats.arrays import Floats
from dynostats.curves.acceptance.evidence import ROUNDING, Evidence
from dynostats.curves.sweep import Sweep
from dynostats.ingest import Finding

# An engine's own torque curve falls more slowly than this: three simulated engines by at most 7%
# within a tenth of the pull, a peaky one at its end by 15%. Common practice, no published source.
COLLAPSE_SHARE = 0.30
SAG_SHARE = 0.20
END_SHARE = 0.30
# The end of a pull, where a throttle that shuts or a limiter reaches the curve through its
# smoothing (half-width 150 rpm).
LEAST_END_RPM = 250.0
END_RANGE_SHARE = 0.06
# Over which rise of speed the fall is looked for: a tenth of the pull, at least this.
LEAST_REACH_RPM = 300.0
REACH_SHARE = 0.1
# Torque that comes back to this share of what it was has only dipped.
BACK_SHARE = 0.9
# Two parts of an interrupted pull add this much to each other's range of speed, overlap by less
# than this share of the shorter one, and rise at a like pace.
ADDS_SHARE = 0.05
MOST_OVERLAP = 0.6
LIKE_PACE = 3.0
# Speed that rises on by this share of the pull without load: the load went, not the speed.
RISES_ON_SHARE = 0.1


def check_load(pull: Evidence) -> Iterator[Finding]:
    """Yield what speaks against full load from the first to the last speed."""
    yield from _check_interruption(pull)
    yield from _check_load_lost(pull)
    torque = pull.channel("torque")
    if torque is not None:
        yield from _check_fall(pull.rpm(), torque)


def _check_interruption(pull: Evidence) -> Iterator[Finding]:
    speed = pull.samples["engine_speed"]
    missing = [other for other in pull.others if _continues(pull, other, speed)]
    if not missing:
        return
    parts = sorted((pull.sweep, *missing), key=lambda part: part.first_row)
    falls = ", ".join(
        f"from {speed[before.last_row]:.0f} to {speed[after.first_row]:.0f} rpm at row "
        f"{before.last_row + 1}"
        for before, after in itertools.pairwise(parts)
    )
    yield Finding(
        check="speed_reversed",
        severity="void",
        message=f"Engine speed falls back {falls} and rises again: the pull was interrupted, or "
        "its speed signal misread, and only a part of it is used.",
    )


def _continues(pull: Evidence, other: Sweep, speed: Floats) -> bool:
    """Tell whether another rise is the missing part of this pull, not a blip or a false start."""
    low, high = speed[pull.sweep.first_row], speed[pull.sweep.last_row]
    other_low, other_high = speed[other.first_row], speed[other.last_row]
    adds = max(low - other_low, 0.0) + max(other_high - high, 0.0)
    overlap = min(high, other_high) - max(low, other_low)
    return bool(
        adds > ADDS_SHARE * (max(high, other_high) - min(low, other_low))
        and overlap <= MOST_OVERLAP * min(high - low, other_high - other_low)
        and pull.pace(other) <= LIKE_PACE * pull.pace(pull.sweep)
    )


def _check_load_lost(pull: Evidence) -> Iterator[Finding]:
    """Speed that rises on after the pull: its load went. Shutting the throttle lowers speed."""
    speed = pull.samples["engine_speed"]
    end = pull.sweep.last_row
    later = next((part.first_row for part in pull.others if part.first_row > end), pull.last_row)
    after = speed[end : later + 1]
    if np.isfinite(after).sum() < 2:
        return
    top = end + int(np.nanargmax(after))
    rise = speed[top] - speed[end]
    span = speed[top] - speed[pull.sweep.first_row]
    rest = Sweep(first_row=end, last_row=top)
    if rise > RISES_ON_SHARE * span and pull.pace(rest) <= LIKE_PACE * pull.pace(pull.sweep):
        yield Finding(
            check="load_lost",
            severity="void",
            message=f"From {speed[end]:.0f} rpm (row {end + 1}) on there is no load, while speed "
            f"rises to {speed[top]:.0f} rpm: torque collapsed, or its signal was lost.",
        )


def _check_fall(rpm: Floats, torque: Floats) -> Iterator[Finding]:
    """Look for the largest fall of torque within a short rise of speed, inside and at the end."""
    reach = max(LEAST_REACH_RPM, REACH_SHARE * float(rpm[-1] - rpm[0]))
    if _holds(rpm, torque, reach):
        return
    ahead = rpm[None, :] - rpm[:, None]
    near = (ahead > 0.0) & (ahead <= reach) & (torque[:, None] > 0.0)
    share = 1.0 - torque[None, :] / np.where(torque > 0.0, torque, np.nan)[:, None]
    share = np.where(near & np.isfinite(share), share, 0.0)
    end_rpm = max(LEAST_END_RPM, END_RANGE_SHARE * float(rpm[-1] - rpm[0]))
    inside = int(np.searchsorted(rpm, rpm[-1] - end_rpm))
    if inside and share[:, :inside].max() > SAG_SHARE:
        start, end = np.unravel_index(int(share[:, :inside].argmax()), share[:, :inside].shape)
        yield _within(rpm, torque, float(share[start, end]), int(start), int(end))
    elif share[:, inside:].max(initial=0.0) > END_SHARE:
        start = int(share[:, inside:].max(axis=1).argmax())
        yield _at_end(rpm, float(share[start].max()), start)


def _holds(rpm: Floats, torque: Floats, reach: float) -> bool:
    """Tell the ordinary pull from what must be looked at: no fall within reach is large enough."""
    if not torque.min() > 0.0:  # missing readings too are looked at
        return False
    steps = min(int(np.searchsorted(rpm, rpm[0] + reach, side="right")), len(rpm))
    lowest = _lowest_ahead(torque, steps)
    return bool(np.all(lowest >= (1.0 - SAG_SHARE) * (1.0 + ROUNDING) * torque))


def _lowest_ahead(values: Floats, count: int) -> Floats:
    """Return the lowest of each value and those that follow it, `count` in all."""
    lowest = np.concatenate([values, np.full(count - 1, np.inf)])
    width = 1
    while 2 * width <= count:
        lowest = np.minimum(lowest[:-width], lowest[width:])
        width *= 2
    return np.minimum(lowest[: len(values)], lowest[count - width :])


def _within(rpm: Floats, torque: Floats, fall: float, start: int, end: int) -> Finding:
    back = np.nanmax(torque[end:]) >= BACK_SHARE * torque[start]
    course = "comes back above" if back else "stays down"
    void = fall > COLLAPSE_SHARE
    return Finding(
        check="torque_collapsed" if void else "torque_sagged",
        severity="void" if void else "doubtful",
        message=f"Torque falls by {fall:.0%} between {rpm[start]:.0f} and {rpm[end]:.0f} rpm and "
        f"{course}: full load was not held (a hose, a slip, a miss, a lift), or the signal failed.",
    )


def _at_end(rpm: Floats, fall: float, start: int) -> Finding:
    return Finding(
        check="torque_fell_at_end",
        severity="doubtful",
        message=f"Torque falls by {fall:.0%} from {rpm[start]:.0f} rpm to the end: the throttle "
        "shut, or a limiter cut in, before the last speed. Compare with --band up to there.",
    )
