"""Printed pages: job sheet, condition report, change sheet, lists and labels. Data in, bytes of a PDF out."""

from __future__ import annotations

from .change import BoardChange, ChangeSheet, Proof
from .condition import ChangeMade, Claim, ConditionReport, Function, FunctionTest, all_functions
from .errors import BadSheet, NoEvidence
from .job import JobSheet
from .label import BoxLabel, LabelSheet, LabelStock, SingleLabel, label_stock, label_stocks
from .lists import InStock, ShoppingList, StockList, Wanted
from .photo import Photo
from .press import PAPERS, make_pdf
from .things import (
    Acceptance,
    Action,
    Attached,
    Converted,
    Evidence,
    Look,
    Machine,
    MoneyLine,
    OpenPoint,
    Outcome,
    PartUsed,
    Reading,
    Suspect,
    TimeSpent,
)

__all__ = [
    "PAPERS",
    "Acceptance",
    "Action",
    "Attached",
    "BadSheet",
    "BoardChange",
    "BoxLabel",
    "ChangeMade",
    "ChangeSheet",
    "Claim",
    "ConditionReport",
    "Converted",
    "Evidence",
    "Function",
    "FunctionTest",
    "InStock",
    "JobSheet",
    "LabelSheet",
    "LabelStock",
    "Look",
    "Machine",
    "MoneyLine",
    "NoEvidence",
    "OpenPoint",
    "Outcome",
    "PartUsed",
    "Photo",
    "Proof",
    "Reading",
    "ShoppingList",
    "SingleLabel",
    "StockList",
    "Suspect",
    "TimeSpent",
    "Wanted",
    "all_functions",
    "label_stock",
    "label_stocks",
    "make_pdf",
]
