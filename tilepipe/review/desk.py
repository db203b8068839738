"""The recipe on the desk: its text as edited here, undone, redone, kept as a draft, and saved; edits elsewhere are noticed."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tilepipe.errors import RecipeError, TilepipeError
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Recipe
from tilepipe.recipe.rearrange import moved_step, with_mask, with_step, without_step
from tilepipe.recipe.save import changed_text, replace_text

MOST_UNDO = 500  # texts of a few kB each
BY_HAND = "change it in the file by hand; the page takes it over when the file is saved"


@dataclass
class Desk:
    """One recipe being worked on. All changes go through one lock; `revision` counts the texts there were."""

    file: Path
    keep: Path  # where the draft is kept
    text: str = ""
    on_disk: str = ""
    revision: int = 0
    undo: list[str] = field(default_factory=list)
    redo: list[str] = field(default_factory=list)
    elsewhere: str | None = None  # the file's text, where it was changed elsewhere while there is a draft here
    notice: str = ""
    recipe: Recipe = field(init=False)
    _gesture: str = ""
    _lock: threading.RLock = field(default_factory=threading.RLock)

    @classmethod
    def open(cls, file: Path, keep: Path) -> Desk:
        """The recipe of a file, with the draft of an earlier visit where there is one; RecipeError where it has faults."""
        file = file.absolute()
        if file.suffix.lower() == ".toml":
            raise RecipeError(
                "a TOML recipe is not written back", file.name, allowed="a YAML recipe",
                next_step="write the recipe as YAML to review it",
            )
        desk = cls(file, keep)
        draft = desk._draft()
        if draft is None:
            desk.recipe = load_recipe(file)  # its faults speak of the file
            desk.text = desk.on_disk = _text_of(file)
            return desk
        now = _text_of(file)
        desk.text, desk.on_disk = draft["text"], draft["on_disk"]
        desk.undo, desk.redo = list(draft["undo"]), list(draft["redo"])
        desk.recipe = desk._loaded(desk.text)
        desk.notice = "What you had not saved is here again."
        if now != desk.on_disk:
            desk.elsewhere = now
        return desk

    # ------------------------------------------------------------ what is known
    @property
    def saved(self) -> bool:
        return self.text == self.on_disk

    def told(self) -> dict[str, Any]:
        """The desk's state for the page."""
        with self._lock:
            return {
                "revision": self.revision, "saved": self.saved, "undo": len(self.undo), "redo": len(self.redo),
                "elsewhere": self.elsewhere is not None, "notice": self.notice, "text": self.text,
            }

    # ------------------------------------------------------------ changes
    def set_values(self, values: Mapping[str, str], gesture: str = "") -> None:
        """Values by their addresses, spelled as in a recipe: `{"steps.exposure.stops": "+0.4EV"}`.

        Changes of one `gesture` (a drag, a turn of the wheel) are undone together.
        """
        def changed(text: str) -> str:
            wanted = load_recipe(text, folder=self.file.parent, sets=[f"{at}={value}" for at, value in values.items()])
            return changed_text(text, values, wanted)

        self._change(changed, gesture)

    def varied(self, address: str, value: str) -> Recipe:
        """The recipe with another value, to look at; nothing is changed. RecipeError where it is refused."""
        with self._lock:
            recipe = load_recipe(_as_text(self.text), folder=self.file.parent, sets=[f"{address}={value}"])
        return recipe.model_copy(update={"name": self.file.stem, "file": self.file})

    def add_step(self, spelled: str, after: str | None) -> None:
        self._rearrange(lambda text: with_step(text, spelled, after), spelled)

    def remove_step(self, step_id: str) -> None:
        self._rearrange(lambda text: without_step(text, step_id), f"steps.{step_id}")

    def move_step(self, step_id: str, before: str | None) -> None:
        self._rearrange(lambda text: moved_step(text, step_id, before), f"steps.{step_id}")

    def put_mask(self, name: str, spelled: str, step_id: str | None = None) -> None:
        """A named mask, new or in place of the one of this name; a step gets it as its `where`."""
        def changed(text: str) -> str:
            made = with_mask(text, name, spelled)
            if made is None:
                raise RecipeError("cannot be written back without touching the rest", f"masks.{name}", next_step=BY_HAND)
            if step_id is None:
                return made
            values = {f"steps.{step_id}.where": name}
            wanted = load_recipe(made, folder=self.file.parent, sets=[f"steps.{step_id}.where={name}"])
            return changed_text(made, values, wanted)

        self._change(changed)

    def _rearrange(self, make: Callable[[str], str | None], where: str) -> None:
        def changed(text: str) -> str:
            made = make(text)
            if made is None:
                raise RecipeError("cannot be written back without touching the rest", where, next_step=BY_HAND)
            return made

        self._change(changed)

    def _change(self, make: Callable[[str], str], gesture: str = "") -> None:
        """A new text, if it is a recipe without faults; else RecipeError, and everything is as before."""
        with self._lock:
            text = make(self.text)
            if text == self.text:
                return
            recipe = self._loaded(text)
            if not gesture or gesture != self._gesture:
                self.undo = [*self.undo[-MOST_UNDO:], self.text]
            self.redo = []
            self._take(text, recipe)
            self._gesture = gesture

    def step_back(self) -> None:
        self._swap(self.undo, self.redo)

    def step_forward(self) -> None:
        self._swap(self.redo, self.undo)

    def _swap(self, source: list[str], target: list[str]) -> None:
        with self._lock:
            if source:
                recipe = self._loaded(source[-1])
                target.append(self.text)
                self._take(source.pop(), recipe)

    def _take(self, text: str, recipe: Recipe) -> None:
        self.text, self.recipe, self.notice, self._gesture = text, recipe, "", ""
        self.revision += 1
        self._keep_draft()

    def _loaded(self, text: str) -> Recipe:
        recipe = load_recipe(_as_text(text), folder=self.file.parent)
        return recipe.model_copy(update={"name": self.file.stem, "file": self.file})

    # ------------------------------------------------------------ the file
    def save(self) -> None:
        """Writes the text into the file; refuses where the file was changed elsewhere meanwhile."""
        with self._lock:
            self.look()
            if self.elsewhere is not None:
                raise RecipeError(
                    "was changed elsewhere meanwhile", self.file.name,
                    next_step="choose: keep what is here, or take what the file says (Undo brings back the other)",
                )
            try:
                ends = "\r\n" if b"\r\n" in self.file.read_bytes() else "\n"
                replace_text(self.file, self.text.replace("\n", ends), self.recipe)
            except OSError as error:
                raise RecipeError(
                    "cannot be written", str(self.file), found=(error.strerror or str(error)).lower(),
                    next_step="check the permissions; the draft is kept",
                ) from error
            self.on_disk = self.text
            self.revision += 1
            self.notice = ""
            self._keep_draft()

    def look(self) -> bool:
        """Looks whether the file was changed elsewhere, takes it over where nothing is unsaved. True: something is new."""
        with self._lock:
            try:
                now = _text_of(self.file)
            except (OSError, UnicodeDecodeError):
                return False
            if now in (self.on_disk, self.elsewhere):
                return False
            if now == self.text or self.saved:
                return self._over(now)
            self.elsewhere = now
            self.revision += 1
            return True

    def take_theirs(self) -> None:
        """What the file says; what was here can be had back by undo."""
        with self._lock:
            if self.elsewhere is not None:
                self._over(self.elsewhere)

    def keep_mine(self) -> None:
        """What is here stays and will replace the file when it is saved; the file's text can be had by undo."""
        with self._lock:
            if self.elsewhere is not None:
                self.undo = [*self.undo, self.elsewhere]
                self.on_disk, self.elsewhere = self.elsewhere, None
                self.revision += 1
                self._keep_draft()

    def _over(self, now: str) -> bool:
        try:
            recipe = self._loaded(now)
        except TilepipeError as error:
            said = f"The file was changed elsewhere and has faults: {error.faults[0]}"
            fresh, self.notice = said != self.notice, said
            self.revision += fresh
            return fresh
        if now != self.text:
            self.undo = [*self.undo, self.text]
        self.on_disk, self.elsewhere = now, None
        self._take(now, recipe)
        self.notice = "The file was changed elsewhere; the page shows it as it is now."
        return True

    # ------------------------------------------------------------ the draft
    def _keep_draft(self) -> None:
        """On the disk after every change, so that a crash loses nothing; gone where there is nothing unsaved."""
        if self.saved:
            self.keep.unlink(missing_ok=True)
            return
        self.keep.parent.mkdir(parents=True, exist_ok=True)
        told = {"text": self.text, "on_disk": self.on_disk, "undo": self.undo[-50:], "redo": self.redo[-50:]}
        half = self.keep.with_suffix(".part")
        half.write_text(json.dumps(told), encoding="utf-8")
        half.replace(self.keep)

    def _draft(self) -> dict[str, Any] | None:
        try:
            told = json.loads(self.keep.read_text(encoding="utf-8"))
            if isinstance(told, dict) and {"text", "on_disk", "undo", "redo"} <= set(told):
                self._loaded(told["text"])
                return told
        except (OSError, ValueError, TilepipeError):
            return None
        return None


def _text_of(file: Path) -> str:
    return file.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")


def _as_text(text: str) -> str:
    """So that one line is never taken for a file's name."""
    return text if os.linesep in text or "\n" in text else text + "\n"
