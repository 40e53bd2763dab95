"""The drawers of the demo's bench."""

from __future__ import annotations

from ...jobs import bodies
from .steps import FromDonor, Visit, price

_POUND = "1.17"
"""Euro to the pound, invented."""

STOCK = (
    Visit(
        "2024-01-04 18:00",
        (
            bodies.StockReceived(
                lot="4116-1", kind="4116", value="150 ns", quantity=10, price=price("2.50"),
                source="Quayside Components", where="drawer 3",
            ),
            bodies.StockReceived(
                lot="74LS157-1", kind="74LS157", quantity=5, price=price("0.80"),
                source="Quayside Components", where="drawer 4",
            ),
            bodies.StockReceived(
                lot="tantalum-10u", kind="capacitor", value="10 uF 25 V tantalum", quantity=12,
                price=price("0.45"), source="Quayside Components", where="drawer 1",
            ),
            bodies.StockReceived(
                lot="radial-47u", kind="capacitor", value="47 uF 25 V", quantity=20,
                price=price("0.18"), source="Quayside Components", where="drawer 1",
            ),
            bodies.StockReceived(
                lot="belt-1", kind="belt", value="62 mm, 1.2 mm square", quantity=4, price=price("3.20"),
                source="Miller's Mouldings", where="box of belts",
            ),
            bodies.StockReceived(
                lot="6821-1", kind="6821", quantity=1, price=price("4.80", "GBP", _POUND),
                source="Tidewater Surplus, overseas", where="drawer 5", replaces=("6520",),
            ),
            bodies.StockReceived(
                lot="socket-16", kind="socket", value="16 pins, turned", quantity=10, price=price("0.60"),
                source="Quayside Components", where="drawer 6",
            ),
        ),
    ),
    Visit(
        "2024-01-29 18:30",
        (
            FromDonor("bittern", "4116-2", "4116", 6, "150 ns", "box 9"),
            FromDonor("bittern", "74LS157-2", "74LS157", 2, "", "box 9"),
            FromDonor("bittern", "key-cap-1", "key cap", 31, "grey", "box 9"),
        ),
    ),
    Visit(
        "2024-03-10 17:00",
        (
            bodies.StockCounted(lot="74LS157-1", quantity=3, note="one has a bent leg: thrown out"),
            bodies.StockMoved(lot="belt-1", where="drawer 7"),
        ),
    ),
)  # fmt: skip
