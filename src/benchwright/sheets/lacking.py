"""What is still missing before a sheet can be called whole, told before it is printed."""

from __future__ import annotations

from .change import ChangeSheet
from .condition import ConditionReport, all_functions
from .from_changes import NOT_RECORDED
from .press import Sheet

_IDENTITY = {"board_revision": "the board's revision", "serial": "the serial number"}


def lacking(sheet: Sheet) -> tuple[str, ...]:
    """What a reader of the sheet would miss, one sentence each; nothing of sheets that have no such lack."""
    if isinstance(sheet, ConditionReport):
        return _of_report(sheet)
    if isinstance(sheet, ChangeSheet):
        return _of_changes(sheet)
    return ()


def _of_report(report: ConditionReport) -> tuple[str, ...]:
    told = []
    absent = [words for name, words in _IDENTITY.items() if not getattr(report.machine, name)]
    if absent:
        told.append(f"Not recorded: {' and '.join(absent)}.")
    if report.not_tested:
        names = ", ".join(function.name for function in report.not_tested)
        told.append(f"{len(report.not_tested)} of {len(all_functions())} functions are not tested: {names}.")
    half = [all_functions()[test.function].name for test in report.tested_in_part]
    if half:
        told.append(f"Tested in part: {', '.join(half)}.")
    only = [
        all_functions()[key].name for key, test in report.standing.items()
        if test.verdict in ("read", "seen", "done")
    ]  # fmt: skip
    if only:
        told.append(f"Measured, looked at or worked on, but not tested since: {', '.join(only)}.")
    bare = sum(NOT_RECORDED in (change.why, change.undo) for change in report.changes)
    if bare:
        told.append(f"Changes without why or how to undo them: {bare}.")
    if report.others:
        told.append(f"Records that name no function, and so test nothing on the list: {len(report.others)}.")
    if report.open_points:
        told.append(f"Points still open: {len(report.open_points)}.")
    return tuple(told)


def _of_changes(sheet: ChangeSheet) -> tuple[str, ...]:
    if not sheet.changes:
        return ("No change to the original is recorded: the sheet will say so.",)
    told = []
    unproved = [change.what for change in sheet.changes if change.proved == "no"]
    in_part = [change.what for change in sheet.changes if change.proved == "in part"]
    bare = [change.what for change in sheet.changes if NOT_RECORDED in (change.why, change.undo)]
    for words, which in (
        ("Not proved by a reading after it was made", unproved), ("Readings are missing", in_part),
        ("Why, or how to undo it, is not recorded", bare),
    ):  # fmt: skip
        if which:
            told.append(f"{words}: {'; '.join(which)}.")
    return tuple(told)
