"""How hard a belt pulls, what it lays on the bearings, and what it can carry before it slips."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .materials import Material, Section
from .path import BeltPath, name_of
from .tables import table
from .uncertain import Uncertain

THICKER = 0.2
"""How much thicker a belt is taken to be for showing what thickness does, millimetres."""


def tension(section: Section, material: Material, stretch: float, settled: bool = False) -> Uncertain:
    """Pull in a belt.

    Parameters
    ----------
    section, material
    stretch : float
        Of the belt's middle, percent; none below 0.
    settled : bool
        After the first days at constant length.

    Returns
    -------
    Uncertain
        Newton: modulus times section times stretch.
    """
    new = material.modulus * (section.area * max(stretch, 0.0) / 100)
    return new * material.keeps if settled else new


def bearing_load(tight: float, slack: float, wrap: float) -> float:
    """Force on the bearing of a pulley from the two runs of a belt.

    Parameters
    ----------
    tight, slack : float
        Tension of the two runs.
    wrap : float
        Angle over which the belt lies on the pulley, radians.

    Returns
    -------
    float
        sqrt(T1^2 + T2^2 - 2 T1 T2 cos(wrap)), in the unit of the tensions: the two runs leave the pulley with
        the angle pi - wrap between them.
    """
    return math.sqrt(max(tight**2 + slack**2 - 2 * tight * slack * math.cos(wrap), 0.0))


def slip_ratio(friction: float, wrap: float) -> float:
    """Largest ratio of the two runs' tensions before the belt slips, e^(mu theta) (Euler and Eytelwein)."""
    return math.exp(friction * wrap)


def slip_torque(pull: Uncertain, friction: Uncertain, wrap: float, radius: float) -> Uncertain:
    """Torque at which a belt begins to slip on a pulley.

    Parameters
    ----------
    pull : Uncertain
        Tension of each run while nothing is driven, newton.
    friction : Uncertain
    wrap : float
        Radians.
    radius : float
        Millimetres.

    Returns
    -------
    Uncertain
        Millinewton metre.

    Notes
    -----
    Load makes one run tighter by what it makes the other slacker, so T1 + T2 stays 2 T0 (an elastic belt
    between fixed centres); with T1/T2 = e^(mu theta) this gives T1 - T2 = 2 T0 tanh(mu theta / 2). By hand.
    """
    half = friction.value * wrap / 2
    grip = friction.apply(math.tanh(half), wrap / 2 / math.cosh(half) ** 2)
    return pull * grip * (2 * radius)


@dataclass(frozen=True, slots=True)
class PulleyLoad:
    """What the belt does at one pulley.

    Attributes
    ----------
    name : str
    wrap : float
        Radians.
    bearing_new, bearing_settled : Uncertain
        Force on its bearing at rest, newton, with the belt new and after some days.
    torque_new, torque_settled : Uncertain
        At which the belt slips there, millinewton metre.
    """

    name: str
    wrap: float
    bearing_new: Uncertain
    bearing_settled: Uncertain
    torque_new: Uncertain
    torque_settled: Uncertain


@dataclass(frozen=True, slots=True)
class BeltLoad:
    """Tension of a fitted belt, and its effect at every pulley.

    Attributes
    ----------
    stretch : float
        Of the belt's middle, percent.
    tension_new, tension_settled : Uncertain
        Newton.
    pulleys : tuple of PulleyLoad
    slips_first : str
        The pulley with the least grip: the belt's force at slip is smallest there.
    """

    stretch: float
    tension_new: Uncertain
    tension_settled: Uncertain
    pulleys: tuple[PulleyLoad, ...]
    slips_first: str


def load_of(path: BeltPath, section: Section, material: Material, stretch: float) -> BeltLoad:
    """Tension of a belt on its path, and the load and grip at every pulley.

    Parameters
    ----------
    path : BeltPath
    section, material
    stretch : float
        Of the belt's middle, percent; see `order.true_stretch`.
    """
    new, settled = tension(section, material, stretch), tension(section, material, stretch, settled=True)
    loads = []
    for number, (pulley, wrap) in enumerate(zip(path.pulleys, path.wraps, strict=True)):
        share = bearing_load(1.0, 1.0, wrap)
        radius = pulley.diameter / 2
        loads.append(
            PulleyLoad(
                name_of(path.pulleys, number),
                wrap,
                new * share,
                settled * share,
                slip_torque(new, material.friction, wrap, radius),
                slip_torque(settled, material.friction, wrap, radius),
            )
        )
    weakest = min(range(len(loads)), key=lambda number: path.wraps[number])
    return BeltLoad(stretch, new, settled, tuple(loads), loads[weakest].name)


def explain_load(load: BeltLoad, path: BeltPath, needed: float | None = None) -> tuple[str, ...]:
    """What the tension means for the deck, in words with numbers.

    Parameters
    ----------
    load : BeltLoad
    path : BeltPath
        The same.
    needed : float, optional
        Torque the deck takes at its smallest pulley, millinewton metre.
    """
    limits = table("limits.toml")
    known = needed is not None
    needed = needed if needed is not None else limits["needed_torque"]["millinewton_metre"]
    most = limits["motor_bearing"]["newton"]
    small = min(range(len(path.pulleys)), key=lambda number: path.pulleys[number].diameter)
    at = load.pulleys[small]
    pulls = f"New it pulls with {load.tension_new.told('N')}, after some days with "
    said = [pulls + f"{load.tension_settled.told('N')}."]
    if load.stretch <= 0:
        return (*said, "It hangs loose and drives nothing: a shorter belt is needed.")
    the = at.name if at.name.startswith("pulley ") else f"the {at.name}"
    per_percent = at.bearing_new.value / load.stretch
    tight = (
        f"The bearing of {the} carries {at.bearing_new.told('N')} at first and "
        f"{at.bearing_settled.told('N')} later; each further 1 % of stretch adds {per_percent:.2g} N."
    )
    if at.bearing_new.value > most:
        tight += (
            f" That is above some {most:g} N, {limits['motor_bearing']['text']}: too tight. The bearing "
            "wears, "
            "the motor draws more current and flutter at its turning rate grows. Take less stretch or a "
            "thinner section."
        )
    said.append(tight)
    torque = at.torque_settled.value
    least = load.stretch * needed / torque if torque > 0 else math.inf
    whose = "the deck needs" if known else f"usual is some {needed:g} mN m:"
    slack = f"Settled, it slips on {the} above {at.torque_settled.told('mN m')}"
    if torque < needed:
        slack += (
            f", and {whose} {f'{needed:g} mN m' if known else limits['needed_torque']['text']}: too slack. "
            "The speed is low, falls further under load and wanders."
        )
    else:
        slack += (
            f", {torque / needed:.1f} times the {needed:g} mN m that "
            f"{'the deck needs' if known else 'a small deck takes'}; below some {least:.1f} % of "
            "stretch it would slip: low speed that falls with the load."
        )
    said.append(slack)
    large = max(path.pulleys, key=lambda pulley: pulley.diameter)
    little = path.pulleys[small]
    if large.diameter > 1.2 * little.diameter:
        large_name = f"the {large.name}" if large.name else "the large pulley"
        faster = speed_change(little.diameter, large.diameter, path.thickness, path.thickness + THICKER)
        said.append(
            f"Keep to the thickness: {THICKER:g} mm more makes {large_name} run "
            f"{faster:.1f} % faster, if {the} drives it."
        )
    return tuple(said)


def speed_change(driving: float, driven: float, old_thickness: float, new_thickness: float) -> float:
    """By how many percent the driven pulley turns faster with a belt of another thickness.

    Parameters
    ----------
    driving, driven : float
        Diameters, millimetres.
    old_thickness, new_thickness : float
        Millimetres; the belt's middle runs at half of it from both pulleys.
    """
    old = (driving + old_thickness) / (driven + old_thickness)
    new = (driving + new_thickness) / (driven + new_thickness)
    return 100 * (new / old - 1)
