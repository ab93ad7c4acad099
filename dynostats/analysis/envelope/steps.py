"""The staged way up to full load in a vehicle: short, watched, looked at before the next step.

The shares of speed and the durations: common practice, no published source.
"""

from __future__ import annotations

from dynostats.analysis.envelope.result import Step

_FIRST_SHARE, _SECOND_SHARE = 0.5, 0.75
_ROUND_RPM = 100.0

CAUTION = (
    "Local codes, the rules of the place and licensed practice come first: full load belongs off "
    "the public road, where it is permitted, with a second person watching the readings. Stop at "
    "any knock, smell of fuel, smoke, new noise, falling oil or fuel pressure, or a reading beyond "
    "the engine maker's limit. A log inside the range of the pulls says that it looks like those "
    "pulls, no more: nothing is known of what was not logged."
)


def plan_steps(low_rpm: float, high_rpm: float, *, reference: str) -> tuple[Step, ...]:
    """Return the steps from standstill to what the pulls reached.

    Args:
        low_rpm: Lowest speed of the reference pulls.
        high_rpm: Highest speed of them.
        reference: The reference setup.
    """
    first, second = (
        round((low_rpm + share * (high_rpm - low_rpm)) / _ROUND_RPM) * _ROUND_RPM
        for share in (_FIRST_SHARE, _SECOND_SHARE)
    )
    again = f"Stop, switch off, and check the log against '{reference}' before the next step."
    return (
        Step(
            title="Before the engine runs",
            text="Check fuel, oil, coolant and charge joints for leaks, and all fasteners; see "
            "that engine speed, throttle, boost, mixture, fuel and oil pressure and charge "
            "temperature are logged and read sensibly; agree who watches, and what stops a run.",
        ),
        Step(
            title="Idle and warm up, no load",
            text="Look at oil and fuel pressure at once, then for leaks again hot. Look at the log "
            "before driving.",
        ),
        Step(
            title="Part load, a few minutes",
            text="Light throttle, low speed. Mixture, pressures and temperatures settle and stay. "
            "Part load cannot be checked against full-load pulls: look at the log yourself.",
        ),
        Step(
            title=f"One short run at full load, up to {first:,.0f} rpm",
            text=f"No longer than it takes to pass {low_rpm:,.0f} to {first:,.0f} rpm. {again} Go "
            "on only if every channel is inside.",
        ),
        Step(
            title=f"One short run at full load, up to {second:,.0f} rpm",
            text=f"{again} Go on only if every channel is inside.",
        ),
        Step(
            title=f"One run over the whole range, up to {high_rpm:,.0f} rpm",
            text=f"No higher: beyond {high_rpm:,.0f} rpm nothing was pulled. {again}",
        ),
        Step(
            title="Repeated runs, cooling in between",
            text="Temperatures climb from run to run. Check the last run as well as the first.",
        ),
    )
