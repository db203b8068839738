"""What the page asks of the server: its files, the state, pictures by tiles, layers, figures, changes, the run."""

from __future__ import annotations

import asyncio
import json
import queue
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import numpy as np
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from tilepipe.errors import RecipeError, TilepipeError
from tilepipe.geometry import Window
from tilepipe.review import acts, figures, forms, layers, ranges
from tilepipe.review.develop import JOINED
from tilepipe.review.review import Review
from tilepipe.review.sight import FINISHED, SPACES, TILE_PX, as_jpeg, as_png, grey_png, tile_of
from tilepipe.review.stored import RESULT
from tilepipe.run.preview_steps import Cancelled

PAGE = Path(__file__).parent / "page"
KINDS = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
GONE = Response(status_code=204, headers={"x-tile": "gone"})  # the recipe went on since this was asked for
NONE = Response(status_code=204, headers={"x-tile": "none"})  # beyond the picture's rim
AT_ONCE = 2  # final tiles made at the same time; the others wait, and are dropped if nobody waits for them any more
SAMPLE_PX = (180, 300)  # of a value's sample (y, x), in reduced pixels
PULSE_S = 15.0  # a sign of life to an idle page


class Routes:
    """The endpoints of one review."""

    def __init__(self, review: Review) -> None:
        self.review = review
        self._gate = asyncio.Semaphore(AT_ONCE)

    def app(self) -> Starlette:
        """The application, to be put behind a `Guard`."""
        files = {path.name for path in PAGE.iterdir() if path.suffix in KINDS}

        def page(request: Request) -> Response:
            name = request.path_params.get("name") or "page.html"
            if name not in files:
                return Response(status_code=404)
            return FileResponse(PAGE / name, media_type=KINDS[Path(name).suffix])

        told: list[tuple[str, Callable[..., Any], str]] = [
            ("/state", self._state, "GET"), ("/words", self._words, "GET"), ("/events", self._events, "GET"),
            ("/tile", self._tile, "GET"), ("/final", self._final, "GET"), ("/layer", self._layer, "GET"),
            ("/mask", self._mask, "GET"), ("/point", self._point, "GET"), ("/figures", self._figures, "GET"),
            ("/waveform", self._waveform, "GET"), ("/crop", self._crop, "GET"), ("/sample", self._sample, "GET"),
            ("/why", self._why, "GET"),
            ("/worst", self._worst, "GET"), ("/range", self._range, "GET"), ("/plan", self._plan, "GET"),
            ("/act", self._act, "POST"),
        ]
        routes = [Route(path, _guarded(work), methods=[method]) for path, work, method in told]
        return Starlette(routes=[*routes, Route("/", page), Route("/{name}", page)])

    # ------------------------------------------------------------ state
    def _state(self, request: Request) -> Response:
        return JSONResponse(self.review.told())

    def _words(self, request: Request) -> Response:
        return JSONResponse({"stages": forms.stages_told(), "masks": forms.mask_kinds()})

    async def _events(self, request: Request) -> Response:
        own = self.review.listen()

        async def lines() -> AsyncIterator[str]:
            try:
                yield "retry: 1000\n\n"
                waited = 0.0
                while not await request.is_disconnected():
                    try:
                        yield f"data: {own.get_nowait()}\n\n"
                        waited = 0.0
                    except queue.Empty:
                        await asyncio.sleep(0.03)
                        waited += 0.03
                        if waited > PULSE_S:
                            yield ": still here\n\n"
                            waited = 0.0
            finally:
                self.review.forget(own)

        return StreamingResponse(lines(), media_type="text/event-stream")

    def _act(self, request: Request, body: Any) -> Response:
        acts.act(self.review, body)
        return JSONResponse(self.review.told())

    # ------------------------------------------------------------ pictures
    def _tile(self, request: Request) -> Response:
        """A tile of a reduced picture, or of a stored one; `stamp` says which state of it."""
        asked, review = request.query_params, self.review
        view, space = asked["view"], _space(asked)
        row, column, level = (int(asked[name]) for name in ("row", "column", "level"))
        if view == RESULT:
            codes = review.stored.tile(level, row, column)
            return _picture(codes, level == 0, review.stored.space)
        recipe = review.desk.recipe
        if review.development.ground is None or _stale(review, recipe, view, asked["stamp"]):
            return GONE
        return _picture(tile_of(review.sight.shown(view, recipe, level, space).codes, row, column), False, space)

    async def _final(self, request: Request) -> Response:
        """A tile with final bits, halved `level` times; dropped when the page has scrolled on."""
        asked, review = request.query_params, self.review
        row, column, level = (int(asked[name]) for name in ("row", "column", "level"))
        async with self._gate:
            if await request.is_disconnected():
                return Response(status_code=499)
            recipe = review.desk.recipe
            if _stale(review, recipe, FINISHED, asked["stamp"]):
                return GONE
            window = Window(row * TILE_PX, column * TILE_PX, TILE_PX, TILE_PX)
            codes = await run_in_threadpool(review.final, recipe, window, level, _space(asked))
            return await run_in_threadpool(_picture, codes, True, _space(asked))

    def _layer(self, request: Request) -> Response:
        return _plane(layers.layer(request.query_params["kind"], self.review.sight, self.review.desk.recipe), self.review)

    def _mask(self, request: Request) -> Response:
        return _plane(layers.mask_plane(request.query_params["name"], self.review.sight, self.review.desk.recipe), self.review)

    def _crop(self, request: Request) -> Response:
        """Where a step changed the picture most, before and after."""
        step, recipe, sight = request.query_params["step"], self.review.desk.recipe, self.review.sight
        names = [name for name, _ in sight.development.keys(recipe)]
        if step not in names:
            return NONE
        index = names.index(step)
        if index:
            before = "joined" if index == 1 else f"step:{names[index - 1]}"
        else:
            before = f"frame:{sight.development.ground.facts['base']}"  # type: ignore[union-attr]
        pair = [sight.shown(view, recipe, 1).codes for view in (before, f"step:{step}" if index else "joined")]
        return _picture(figures.side_by_side(*pair), False, "srgb")

    def _sample(self, request: Request) -> Response:
        """What another value would give, around a place: nothing is changed."""
        asked, review = request.query_params, self.review
        recipe = review.desk.varied(asked["address"], asked["value"])
        codes = review.sight.crop(recipe, float(asked["x"]), float(asked["y"]), SAMPLE_PX, _space(asked))
        return _picture(codes, False, _space(asked))

    # ------------------------------------------------------------ figures
    def _point(self, request: Request) -> Response:
        asked, review = request.query_params, self.review
        recipe, view = review.desk.recipe, asked.get("view", FINISHED)
        if review.development.ground is None or view == RESULT:
            return JSONResponse({})
        shown = review.sight.shown(view, recipe)
        x, y = (int(float(asked[name]) // shown.factor) for name in ("x", "y"))
        height, width = shown.codes.shape[1:]
        if not (0 <= x < width and 0 <= y < height):
            return JSONResponse({})
        tile = review.sight.linear(view, recipe)[0]
        joined = review.development.tile(recipe, 0)
        same = joined if joined.picture == tile.picture else None
        return JSONResponse(figures.point(tile, same, shown.codes, x, y) | {"averaged": shown.factor})

    def _figures(self, request: Request) -> Response:
        return JSONResponse(figures.histogram(self._part(request)))

    def _waveform(self, request: Request) -> Response:
        return Response(grey_png(figures.waveform(self._part(request))), media_type="image/png")

    def _part(self, request: Request) -> Any:
        box = tuple(float(value) for value in request.query_params["box"].split(","))
        assert len(box) == 4
        shown = self.review.sight.shown(request.query_params.get("view", FINISHED), self.review.desk.recipe)
        return figures.part_of(shown.codes, box)

    def _why(self, request: Request) -> Response:
        asked = request.query_params
        return JSONResponse(acts.why_told(self.review, int(asked["x"]), int(asked["y"])))

    def _range(self, request: Request) -> Response:
        asked = request.query_params
        box = tuple(float(value) for value in asked["box"].split(","))
        return JSONResponse(ranges.picked(self.review, asked["kind"], box, asked.get("step", "")))

    def _worst(self, request: Request) -> Response:
        return JSONResponse(acts.worst_told(self.review))

    def _plan(self, request: Request) -> Response:
        return JSONResponse(acts.plan_told(self.review))


def _guarded(work: Callable[..., Any]) -> Callable[..., Any]:
    """The endpoint with faults told as JSON; work that is not asynchronous runs on a thread of its own."""

    async def endpoint(request: Request) -> Response:
        try:
            if asyncio.iscoroutinefunction(work):
                return await work(request)  # type: ignore[no-any-return]
            if request.method == "POST":
                body = json.loads(await request.body())
                return await run_in_threadpool(work, request, body)
            return await run_in_threadpool(work, request)
        except Cancelled:
            return GONE
        except TilepipeError as error:
            faults = [
                {"what": fault.what, "where": fault.where, "found": fault.found, "allowed": fault.allowed,
                 "next": fault.next_step} for fault in error.faults
            ]
            return JSONResponse({"faults": faults}, status_code=409)
        except (KeyError, ValueError, IndexError, AssertionError) as error:
            return JSONResponse({"faults": [{"what": f"this cannot be asked for: {error}"}]}, status_code=400)

    return endpoint


def _space(asked: Any) -> str:
    space = str(asked.get("space", "srgb"))
    if space not in SPACES:
        raise RecipeError("is not a space of a screen", space)
    return space


def _stale(review: Review, recipe: Any, view: str, stamp: str) -> bool:
    """True where the picture of this name is no longer the one that was asked for."""
    ground = review.development.ground
    assert ground is not None
    kind, _, name = view.partition(":")
    if kind == "kept":
        return name not in review.sight.kept
    if kind == "frame":
        return not ground.key.startswith(stamp)
    if kind not in ("step", JOINED, FINISHED):
        raise KeyError(view)
    keys = review.development.keys(recipe)
    found = dict(keys).get(name) if kind == "step" else keys[0][1] if kind == JOINED else keys[-1][1]
    return found is None or not found.startswith(stamp)


def _picture(codes: Any, lossless: bool, space: str) -> Response:
    if 0 in codes.shape:
        return NONE
    data = as_png(codes, space) if lossless else as_jpeg(codes, space)
    return Response(data, media_type="image/png" if lossless else "image/jpeg")


def _plane(found: Any, review: Review) -> Response:
    plane, factor, to_base = found
    told = {"x-factor": str(factor), "x-to-base": json.dumps([value for row in to_base for value in row])}
    return Response(grey_png(np.ascontiguousarray(plane)), media_type="image/png", headers=told)
