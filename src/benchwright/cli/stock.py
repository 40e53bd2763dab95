"""`benchwright stock`: parts on hand, set aside, used, short."""

from __future__ import annotations

import click

from .lazy import LazyGroup

_COMMANDS = {
    "add": ("stock_lots", "add_command", "Put parts into stock."),
    "count": ("stock_lots", "count_command", "Say how many there are, as counted."),
    "donor": ("stock_lots", "donor_command", "Take parts out of a machine that is broken for parts."),
    "list": ("stock_lots", "list_command", "What is there, where, and for whom."),
    "move": ("stock_lots", "move_command", "Put a lot into another drawer or box."),
    "reserve": ("stock_jobs", "reserve_command", "Set parts aside for a job."),
    "sheet": ("job_sheet", "stock_sheet_command", "Print the stock or the shopping list as a PDF."),
    "shopping": ("stock_jobs", "shopping_command", "What open jobs need and the stock has not."),
    "undo": ("stock_lots", "undo_command", "Take back what was recorded of the stock last."),
    "use": ("stock_jobs", "use_command", "Use parts in a job."),
    "want": ("stock_jobs", "want_command", "Put parts that a job needs on the shopping list."),
}


@click.group(cls=LazyGroup, commands_at=_COMMANDS)
def stock() -> None:
    """Parts on hand: what, how many, where, and for whom.

    A lot is parts of one kind that came in together, by the name on their box.
    """
