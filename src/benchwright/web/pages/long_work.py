"""How far a long work is, and stopping it."""

from __future__ import annotations

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ..page import go, page, shows, takes
from ..tasks import Task


def _task(request: Request) -> Task:
    task: Task | None = request.app.state.tasks.get(request.path_params["key"])
    if task is None:
        raise HTTPException(404)
    return task


@shows
def whole(request: Request) -> Response:
    return page(request, "bench/task.html", task=_task(request))


@shows
def state(request: Request) -> Response:
    return page(request, "bench/task_state.html", task=_task(request))


@takes()
def stop(request: Request, form: FormData) -> Response:
    task = _task(request)
    request.app.state.tasks.stop(task.key)
    return go(request, f"/tasks/{task.key}")


routes = [
    Route("/tasks/{key}", whole),
    Route("/tasks/{key}/state", state),
    Route("/tasks/{key}/stop", stop, methods=["POST"]),
]
