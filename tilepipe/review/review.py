"""One recipe under review: its desk, its reduced pictures, its final windows, its full run, and who listens."""

from __future__ import annotations

import contextlib
import json
import queue
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tilepipe.device import exact
from tilepipe.device.choose import open_device
from tilepipe.errors import TilepipeError
from tilepipe.recipe.model import Recipe
from tilepipe.review import forms, layers
from tilepipe.review.desk import Desk
from tilepipe.review.develop import JOINED, SKETCH, Development, Ground, ground_key, is_measured, lay_ground, sketch
from tilepipe.review.finals import Finals
from tilepipe.review.running import Running
from tilepipe.review.sight import FINISHED, Sight
from tilepipe.review.stored import Stored
from tilepipe.run.preview_steps import Cancelled
from tilepipe.run.recipe_run import Settings

LONG_SIDE_PX = 1280  # of the reduced pictures, at most about; what is seen larger is soon seen with its final bits
DRAFT = "review-draft.json"
LOOK_S = 1.0  # how often the file is looked at


@dataclass
class Review:
    """Everything behind the page."""

    file: Path
    settings: Settings
    long_side_px: int = LONG_SIDE_PX
    busy: str = "beginning"
    fault: str = ""
    _listeners: list[queue.SimpleQueue[str]] = field(default_factory=list)
    _wanted: threading.Event = field(default_factory=threading.Event)
    _closed: threading.Event = field(default_factory=threading.Event)
    work: threading.Lock = field(default_factory=threading.Lock)  # the working folder has one user at a time

    def __post_init__(self) -> None:
        folder = self.settings.work or self.file.absolute().parent / "work" / self.file.stem
        self.desk = Desk.open(self.file, folder.with_name(f"{folder.name}-{DRAFT}"))
        self.device = open_device(self.settings.device, lambda text: None)
        self.development = Development()
        self.sight = Sight(self.development)
        self.finals = Finals(self.settings, self.device, self._progress)
        self.running = Running(self.desk.file, self.settings, self.tell)
        self.stored = Stored()
        self._find_result()
        threading.Thread(target=self._lay, daemon=True, name="ground").start()
        threading.Thread(target=self._watch, daemon=True, name="watch").start()
        self._wanted.set()

    def close(self) -> None:
        self._closed.set()
        self._wanted.set()
        self.running.pause()  # what is finished is kept; the next start goes on from there
        self.finals.close()
        self.development.close()

    # ------------------------------------------------------------ who listens
    def listen(self) -> queue.SimpleQueue[str]:
        own: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._listeners.append(own)
        return own

    def forget(self, own: queue.SimpleQueue[str]) -> None:
        if own in self._listeners:
            self._listeners.remove(own)

    def tell(self, event: dict[str, Any]) -> None:
        """Sends an event to every page that is open."""
        if event.get("event") == "run" and event["run"]["state"] == "finished":
            self._find_result()
        text = json.dumps(event)
        for own in list(self._listeners):
            own.put(text)

    def changed(self, anew: bool = False) -> None:
        """After every change on the desk; `anew`: the frames were measured again, or the last run's result is there."""
        self.development.give_up()
        if self.development.ground is None or ground_key(self.desk.recipe) != self.development.ground.key:
            self._wanted.set()
        self.tell({"event": "changed", "revision": self.desk.revision, "anew": anew})

    def _progress(self, event: dict[str, Any]) -> None:
        if event["event"] in ("pass", "tile") and event["name"] != "window":
            self.tell({"event": "busy", "text": f"{event['name']}: {event['done']} of {event['tiles']}"})

    # ------------------------------------------------------------ what runs behind
    def _lay(self) -> None:
        """Lays the ground again whenever an early step changed."""
        while True:
            self._wanted.wait()
            self._wanted.clear()
            if self._closed.is_set():
                return
            recipe = self.desk.recipe
            if self.development.ground is not None and self.development.ground.key == ground_key(recipe):
                continue
            if self.development.ground is None and not is_measured(recipe, self.settings):
                self._first_look(recipe)
            self._set_busy("measuring the frames")
            try:
                with self.work:
                    self.finals.close()
                    ground = lay_ground(recipe, self.settings, self.long_side_px, self.device, self._progress)
                self.development.stand_on(ground)
                self.fault = ""
            except TilepipeError as error:
                self.fault = str(error)
            self._set_busy("")
            self.changed(anew=True)
            with contextlib.suppress(Cancelled, TilepipeError):  # so that a page that opens later has its picture at once
                self.sight.shown(FINISHED, self.desk.recipe)

    def _first_look(self, recipe: Recipe) -> None:
        """One frame with the recipe's steps, in a second or two; where that cannot be, the page waits for all of them."""
        self._set_busy("a first look at one frame")
        try:
            with self.work:
                self.development.stand_on(sketch(recipe, self.settings, self.long_side_px, self.device))
        except TilepipeError:
            return
        self.changed(anew=True)

    def _set_busy(self, text: str) -> None:
        self.busy = text
        self.tell({"event": "busy", "text": text})

    def _watch(self) -> None:
        while not self._closed.wait(LOOK_S):
            if self.desk.look():
                self.changed()

    # ------------------------------------------------------------ the full run
    def start_run(self) -> None:
        """Saves the recipe and runs it at full size."""
        if not self.desk.saved:
            self.desk.save()
        with self.work:
            self.finals.close()
        self.running.start()

    def final(self, recipe: Recipe, *args: Any, **options: Any) -> Any:
        """A window with final bits; refused with a sentence while the full run has the working folder."""
        if self.running.state in ("running", "pausing"):
            raise TilepipeError("the full run is using the working folder", next_step="wait for it, or pause it")
        with self.work:
            return self.finals.codes(recipe, *args, **options)

    def _find_result(self) -> None:
        self.stored.look_in(self.settings.out_folder(self.desk.recipe), self.desk.file.stem)

    # ------------------------------------------------------------ what the page is told
    def told(self) -> dict[str, Any]:
        """Everything but pixels."""
        recipe, ground = self.desk.recipe, self.development.ground
        told: dict[str, Any] = {
            "name": self.desk.file.stem, "desk": self.desk.told(), "busy": self.busy, "fault": self.fault,
            "steps": forms.steps_told(recipe), "masks": forms.masks_told(recipe), "run": self.running.summary(),
            "ground": ground is not None, "first_look": ground is not None and ground.key == SKETCH,
            "fresh": ground is not None and ground.key == ground_key(recipe), "layers": layers.KINDS, "time": time.time(),
        }
        if ground is not None:
            told |= self._geometry(recipe, ground)
        return told

    def _geometry(self, recipe: Recipe, ground: Ground) -> dict[str, Any]:
        keys = self.development.keys(recipe)
        places = self.development.places(recipe)
        finished = places[-1]
        world = self.development.full_shape(recipe)
        to_world = exact.matrix_inverse(finished)
        views = [self._view(FINISHED, "finished picture", keys[-1][1], finished, to_world, exact_too=True)]
        final = self.development.full_shape(recipe, resized=True)
        views[0]["final"] = [final.width / world.width, final.height / world.height]
        views += [
            self._view(*((f"step:{name}", f"after {name}") if number else (JOINED, "frames joined")), key, place, to_world)
            for number, ((name, key), place) in enumerate(zip(keys, places, strict=True))
        ]
        views += [
            self._view(f"frame:{index}", f"frame {index + 1}: {frame['name']}", ground.key, places[0], to_world)
            for index, frame in enumerate(ground.facts["frames"])
        ]
        views += [
            self._view(f"kept:{name}", f"kept: {name}", name, place, to_world)
            for name, (_, _, place) in self.sight.kept.items()
        ]
        if self.stored.ready:
            views.append(self.stored.view((world.width, world.height)))
        return {
            "world": {"width": world.width, "height": world.height, "to_base": finished, "factor": ground.factor},
            "base": {"width": ground.full.width, "height": ground.full.height}, "views": views,
            "frames": [{"name": frame["name"], "light": exact.log2(frame["light"])} for frame in ground.facts["frames"]],
            "base_frame": ground.facts["base"], "groups": self._groups(ground), "spots": spots_of(ground),
        }

    def _view(self, name: str, label: str, stamp: str, place: Any, to_world: Any, exact_too: bool = False) -> dict[str, Any]:
        ground = self.development.ground
        assert ground is not None
        return {  # `final`: the size of the picture that the full run makes
            "name": name, "label": label, "stamp": stamp[:24], "factor": ground.factor,
            "exact": exact_too and ground.key != SKETCH, "to_world": exact.matrix_multiply(to_world, place),
        }

    def _groups(self, ground: Ground) -> list[dict[str, Any]]:
        motion = ground.facts.get("motion")
        kept = ("id", "frame", "name", "why", "at", "window", "share")
        return [{key: group[key] for key in kept if key in group} for group in (motion or {}).get("groups", [])]


def spots_of(ground: Ground) -> list[dict[str, Any]]:
    """The candidates of dirt, healed or only listed, as `lens_spots` found them."""
    told = ground.facts.get("lens_spots") or {}
    kept = ("id", "at", "radius_px", "score", "what", "reasons")
    return [{key: spot[key] for key in kept if key in spot} for spot in told.get("spots", [])]
