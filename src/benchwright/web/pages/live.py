"""The stream that tells open pages what changed."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from ..guard import session_of


async def changes(request: Request) -> Response:
    headers = {"X-Accel-Buffering": "no", "Cache-Control": "no-store"}
    return StreamingResponse(_while_let_in(request), media_type="text/event-stream", headers=headers)


async def _while_let_in(request: Request) -> AsyncIterator[str]:
    """The stream; it ends once its reader is put out."""
    sessions, session = request.app.state.sessions, session_of(request)
    async with contextlib.aclosing(request.app.state.feed.stream()) as stream:
        async for event in stream:
            if session is None or not sessions.is_in(session.key):
                break
            yield event


routes = [Route("/changes", changes)]
