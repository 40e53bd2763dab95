"""IPC-D-356, A and B: the netlist of a bare board that every board-design program can write."""

from __future__ import annotations

from .ipc356_read import read_ipc356, read_test_records
from .ipc356_write import write_ipc356

__all__ = ["read_ipc356", "read_test_records", "write_ipc356"]
