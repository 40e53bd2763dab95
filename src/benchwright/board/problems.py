"""All that looks wrong with a board description, at once."""

from __future__ import annotations

from .model import Board


def problems(board: Board) -> list[str]:
    """Say everything that looks wrong, in plain words; an empty list means nothing does.

    Parameters
    ----------
    board : Board

    Returns
    -------
    list of str
        One complaint each, with the place and what to do.
    """
    found: list[str] = []
    if board.ground not in board.nets:
        found.append(
            f"the ground net {board.ground!r} has no pins: name the ground with [board] ground = ..."
        )
    for net, pins in board.nets.items():
        if len(pins) == 1:
            found.append(f"net {net} has one pin only, {pins[0]}")
        for pin in pins:
            if pin.ref not in board.parts:
                found.append(f"net {net} has pin {pin}, but there is no part {pin.ref}")
    for net in board.rails:
        if net not in board.nets:
            found.append(f"rail {net} is not a net of this board")
    for ref in board.parts:
        kind = board.kind_of(ref)
        if kind.generic:
            found.append(
                f"{ref} ({board.parts[ref].value or 'no value'}) is not recognised: "
                "give its kind in an overlay"
            )
        if (
            not any(pin in board.net_of for pin in board.pins_of.get(ref, ()))
            and kind.category != "mechanical"
        ):
            found.append(f"{ref} is on no net")
        for pin in board.pins_of.get(ref, ()):
            fact = board.kind_pin(pin)
            on = board.net_of.get(pin)
            if fact.direction == "P" and on is None:
                found.append(f"supply pin {pin} ({fact.name}) of {kind.name} is not connected")
            if fact.direction == "G" and on is not None and on in board.rails and board.rails[on].nominal > 0:
                found.append(f"ground pin {pin} ({fact.name}) is on rail {on}: is the part's kind right?")
            if (
                fact.direction == "P"
                and on is not None
                and on == board.ground
                and "E" not in fact.name
                and "V-" not in fact.name
            ):
                found.append(f"supply pin {pin} ({fact.name}) is on ground {on}: is the part's kind right?")
    for net, pins in board.nets.items():
        outputs = [pin for pin in pins if pin.ref in board.parts and board.kind_pin(pin).direction == "O"]
        if len(outputs) > 1 and net not in board.rails and net != board.ground:
            found.append(f"net {net} joins {len(outputs)} outputs: {', '.join(map(str, outputs))}")
    return found
