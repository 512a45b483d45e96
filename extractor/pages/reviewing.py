"""The routes of the page of ``ocrlog review``."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from extractor.pages.review import Review
from extractor.pages.serving import RefusedError, application, page, sent

_MOST_TOLD = 100
_LOOK_EVERY_S = 1.0
_T = TypeVar("_T")


def reviewing(review: Review) -> Starlette:
    """The application of the page."""
    deciding = ThreadPoolExecutor(1)  # what a person decides waits for nothing else
    looking = ThreadPoolExecutor(2)
    judging = ThreadPoolExecutor(1)

    async def on(pool: ThreadPoolExecutor, what: Callable[..., _T], *given: Any) -> _T:
        return await asyncio.get_running_loop().run_in_executor(pool, what, *given)

    async def index(request: Request) -> Response:
        return page("review.html")

    async def opening(request: Request) -> Response:
        return JSONResponse(await on(deciding, review.opening))

    async def standing(request: Request) -> Response:
        return JSONResponse(await on(deciding, review.standing))

    async def queue(request: Request) -> Response:
        by = request.query_params.get("by", "doubt")
        return JSONResponse(await on(deciding, review.queue, by))

    async def told(request: Request) -> Response:
        ids = _numbers((await sent(request)).get("ids"))[:_MOST_TOLD]
        return JSONResponse({"items": await on(looking, review.told, ids)})

    async def same(request: Request) -> Response:
        return JSONResponse({"ids": await on(looking, review.same, request.path_params["id"])})

    async def decide(request: Request) -> Response:
        given = await sent(request)
        ids, action = _numbers(given.get("ids")), str(given.get("action"))
        return JSONResponse(
            await on(deciding, review.decide, ids, action, str(given.get("text", "")))
        )

    async def undo(request: Request) -> Response:
        return JSONResponse(await on(deciding, review.undo))

    async def trust_again(request: Request) -> Response:
        (id,) = _numbers([(await sent(request)).get("id")])
        return JSONResponse(await on(deciding, review.trust_again, id))

    async def judge(request: Request) -> Response:
        await on(judging, review.judge)
        return JSONResponse(await on(deciding, review.standing))

    async def proof(request: Request) -> Response:
        asked = [request.query_params.get(name, "") for name in ("layout", "readout")]
        return JSONResponse({"tiles": await on(deciding, review.proof, *asked)})

    async def crop(request: Request) -> Response:
        return _picture(await on(looking, review.crop, request.path_params["id"]), "png")

    async def whole(request: Request) -> Response:
        return _picture(await on(looking, review.whole, request.path_params["id"]), "jpeg")

    async def spot_check(request: Request) -> Response:
        return JSONResponse(await on(deciding, review.spot_check))

    async def begin(request: Request) -> Response:
        planned = (await sent(request)).get("planned")
        if not isinstance(planned, int):
            raise RefusedError("Give a whole number of figures.")
        return JSONResponse(await on(deciding, review.begin_spot_check, planned))

    async def typed(request: Request) -> Response:
        given = await sent(request)
        at, cannot = given.get("at"), given.get("cannot") is True
        if not isinstance(at, int):
            raise RefusedError("What the page sent cannot be read; load it anew.")
        return JSONResponse(
            await on(deciding, review.type_spot_check, at, str(given.get("text", "")), cannot)
        )

    async def stop(request: Request) -> Response:
        return JSONResponse(await on(deciding, review.stop_spot_check))

    async def spot_crop(request: Request) -> Response:
        data = await on(looking, review.spot_crop, request.path_params["at"])
        return Response(data, media_type="image/png")

    async def keep_tables_new() -> None:
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            await on(judging, review.judge_when_quiet)

    return application(
        [
            Route("/", index),
            Route("/api/opening", opening),
            Route("/api/standing", standing),
            Route("/api/queue", queue),
            Route("/api/items", told, methods=["POST"]),
            Route("/api/decisions", decide, methods=["POST"]),
            Route("/api/undo", undo, methods=["POST"]),
            Route("/api/withdrawals", trust_again, methods=["POST"]),
            Route("/api/judge", judge, methods=["POST"]),
            Route("/api/proof", proof),
            Route("/api/items/{id:int}/same", same),
            Route("/api/items/{id:int}/crop", crop),
            Route("/api/items/{id:int}/capture", whole),
            Route("/api/spot", spot_check),
            Route("/api/spot/begin", begin, methods=["POST"]),
            Route("/api/spot/typed", typed, methods=["POST"]),
            Route("/api/spot/stop", stop, methods=["POST"]),
            Route("/api/spot/{at:int}/crop", spot_crop),
        ],
        keep_tables_new,
    )


def _numbers(given: Any) -> Sequence[int]:
    if not isinstance(given, list) or not all(type(each) is int for each in given):
        raise RefusedError("What the page sent cannot be read; load it anew.")
    return given


def _picture(data: bytes, form: str) -> Response:
    return Response(data, media_type=f"image/{form}", headers={"cache-control": "max-age=3600"})
