"""The stream that tells open pages what changed."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route


async def changes(request: Request) -> Response:
    headers = {"X-Accel-Buffering": "no", "Cache-Control": "no-store"}
    stream = request.app.state.feed.stream()
    return StreamingResponse(stream, media_type="text/event-stream", headers=headers)


routes = [Route("/changes", changes)]
