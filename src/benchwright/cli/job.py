"""`benchwright job`: the machines on the bench, each with its history."""

from __future__ import annotations

import click

from .lazy import LazyGroup

_COMMANDS = {
    "attach": ("job_attach", "attach_command", "Keep photos, recordings or files with a job."),
    "close": ("job_end", "close_command", "End a job: kept, sold, broken for parts, returned."),
    "export": ("job_archive", "export_command", "Write a job into one file, readable without Benchwright."),
    "import": ("job_archive", "import_command", "Read a job from such a file."),
    "learned": ("job_find", "learned_command", "What proved faults taught the failure rates."),
    "list": ("job_list", "list_command", "The machines on the bench and what each waits for."),
    "log": ("job_log", "log_command", "Record what was measured, seen, done or spent."),
    "new": ("job_new", "new_command", "Take in a machine."),
    "next": ("job_find", "next_command", "The next best checks of a job."),
    "photo": ("job_attach", "attach_command", "The same as attach."),
    "redo": ("job_log", "redo_command", "Bring back what was taken back last."),
    "reopen": ("job_end", "reopen_command", "Go on with a job that was closed."),
    "search": ("job_list", "search_command", "Find words in all jobs and the stock."),
    "set": ("job_new", "set_command", "Say more about a machine, or correct it."),
    "sheet": ("job_sheet", "sheet_command", "Print a sheet of a job as a PDF."),
    "show": ("job_show", "show_command", "All of a job, now or as it was."),
    "suspects": ("job_find", "suspects_command", "What is most likely wrong, by the job's readings."),
    "timer": ("job_timer", "timer", "Take the time: start, stop, show."),
    "undo": ("job_log", "undo_command", "Take back what was recorded last."),
}


@click.group(cls=LazyGroup, commands_at=_COMMANDS)
def job() -> None:
    """The machines on the bench: take in, log, look up, hand over.

    Nothing recorded is ever lost: a correction or an undo is one more entry in the history.
    """
