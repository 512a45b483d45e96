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


class _Threads:
    """What a person decides waits neither for pictures nor for tables."""

    def __init__(self) -> None:
        self._deciding = ThreadPoolExecutor(1)
        self._looking = ThreadPoolExecutor(2)
        self._judging = ThreadPoolExecutor(1)

    async def decide(self, what: Callable[..., _T], *given: Any) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._deciding, what, *given)

    async def look(self, what: Callable[..., _T], *given: Any) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._looking, what, *given)

    async def judge(self, what: Callable[..., _T], *given: Any) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._judging, what, *given)


def reviewing(review: Review) -> Starlette:
    """The application of the page."""
    threads = _Threads()

    async def index(request: Request) -> Response:
        return page("review.html")

    async def keep_tables_new() -> None:
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            await threads.judge(review.judge_when_quiet)

    return application(
        [
            Route("/", index),
            *_settling(review, threads),
            *_charts(review, threads),
            *_spot_check(review, threads),
        ],
        keep_tables_new,
    )


def _settling(review: Review, threads: _Threads) -> list[Route]:
    async def opening(request: Request) -> Response:
        return JSONResponse(await threads.decide(review.opening))

    async def standing(request: Request) -> Response:
        return JSONResponse(await threads.decide(review.standing))

    async def queue(request: Request) -> Response:
        by = request.query_params.get("by", "doubt")
        return JSONResponse(await threads.decide(review.queue, by))

    async def told(request: Request) -> Response:
        ids = _numbers((await sent(request)).get("ids"))[:_MOST_TOLD]
        return JSONResponse({"items": await threads.look(review.told, ids)})

    async def same(request: Request) -> Response:
        return JSONResponse({"ids": await threads.look(review.same, request.path_params["id"])})

    async def decide(request: Request) -> Response:
        given = await sent(request)
        asked = (_numbers(given.get("ids")), str(given.get("action")), str(given.get("text", "")))
        return JSONResponse(await threads.decide(review.decide, *asked))

    async def undo(request: Request) -> Response:
        return JSONResponse(await threads.decide(review.undo))

    async def trust_again(request: Request) -> Response:
        (id,) = _numbers([(await sent(request)).get("id")])
        return JSONResponse(await threads.decide(review.trust_again, id))

    async def judge(request: Request) -> Response:
        await threads.judge(review.judge)
        return JSONResponse(await threads.decide(review.standing))

    async def proof(request: Request) -> Response:
        asked = [request.query_params.get(name, "") for name in ("layout", "readout")]
        return JSONResponse({"tiles": await threads.decide(review.proof, *asked)})

    async def crop(request: Request) -> Response:
        return _picture(await threads.look(review.crop, request.path_params["id"]), "png")

    async def whole(request: Request) -> Response:
        return _picture(await threads.look(review.whole, request.path_params["id"]), "jpeg")

    return [
        Route("/api/opening", opening),
        Route("/api/standing", standing),
        Route("/api/queue", queue),
        Route("/api/items", told, methods=["POST"]),
        Route("/api/items/{id:int}/same", same),
        Route("/api/items/{id:int}/crop", crop),
        Route("/api/items/{id:int}/capture", whole),
        Route("/api/decisions", decide, methods=["POST"]),
        Route("/api/undo", undo, methods=["POST"]),
        Route("/api/withdrawals", trust_again, methods=["POST"]),
        Route("/api/judge", judge, methods=["POST"]),
        Route("/api/proof", proof),
    ]


def _charts(review: Review, threads: _Threads) -> list[Route]:
    async def charts(request: Request) -> Response:
        return JSONResponse(await threads.look(review.charts))

    async def crop(request: Request) -> Response:
        return _picture(await threads.look(review.chart_crop, request.path_params["id"]), "png")

    async def point_out(request: Request) -> Response:
        given = await sent(request)
        place = [given.get("x"), given.get("y")]
        if not all(isinstance(each, int | float) for each in place):
            raise RefusedError("What the page sent cannot be read; load it anew.")
        asked = (request.path_params["id"], *place)
        return JSONResponse(await threads.look(review.point_out, *asked))

    async def decide(request: Request) -> Response:
        given = await sent(request)
        asked = (request.path_params["id"], str(given.get("action")), str(given.get("colour")))
        return JSONResponse(await threads.decide(review.decide_chart, *asked))

    return [
        Route("/api/charts", charts),
        Route("/api/charts/{id:int}/crop", crop),
        Route("/api/charts/{id:int}/line", point_out, methods=["POST"]),
        Route("/api/charts/{id:int}/decision", decide, methods=["POST"]),
    ]


def _spot_check(review: Review, threads: _Threads) -> list[Route]:
    async def standing(request: Request) -> Response:
        return JSONResponse(await threads.decide(review.spot_check))

    async def begin(request: Request) -> Response:
        (planned,) = _numbers([(await sent(request)).get("planned")])
        return JSONResponse(await threads.decide(review.begin_spot_check, planned))

    async def typed(request: Request) -> Response:
        given = await sent(request)
        (at,) = _numbers([given.get("at")])
        asked = (at, str(given.get("text", "")), given.get("cannot") is True)
        return JSONResponse(await threads.decide(review.type_spot_check, *asked))

    async def stop(request: Request) -> Response:
        return JSONResponse(await threads.decide(review.stop_spot_check))

    async def crop(request: Request) -> Response:
        data = await threads.look(review.spot_crop, request.path_params["at"])
        return Response(data, media_type="image/png")

    return [
        Route("/api/spot", standing),
        Route("/api/spot/begin", begin, methods=["POST"]),
        Route("/api/spot/typed", typed, methods=["POST"]),
        Route("/api/spot/stop", stop, methods=["POST"]),
        Route("/api/spot/{at:int}/crop", crop),
    ]


def _numbers(given: Any) -> Sequence[int]:
    if not isinstance(given, list) or not all(type(each) is int for each in given):
        raise RefusedError("What the page sent cannot be read; load it anew.")
    return given


def _picture(data: bytes, form: str) -> Response:
    return Response(data, media_type=f"image/{form}", headers={"cache-control": "max-age=3600"})
