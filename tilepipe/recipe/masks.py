"""Reads masks of a recipe: named ones under `masks`, and those written where a step applies; names are followed."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager

from tilepipe.errors import TilepipeError
from tilepipe.masks.image import Image
from tilepipe.masks.mask import Mask, all_masks
from tilepipe.recipe.checking import checked
from tilepipe.recipe.faults import FaultList, did_you_mean, listed
from tilepipe.recipe.fields import names_of
from tilepipe.recipe.model import ID_PATTERN
from tilepipe.recipe.node import Node, joined

MOST_DEEP = 32  # masks in masks; chosen here: nobody writes more by hand
_EXAMPLE = "write one kind and its values, as in `{luminance: {to: -3EV}}`, or the name of a mask"


def short_field(mask: type[Mask]) -> str:
    """The field whose value may stand for the whole mapping: the only one, or a figure's points."""
    names = names_of(mask)
    return "points" if "points" in names else names[0] if len(names) == 1 and mask.inner == "none" else ""


class MaskReader:
    """The masks of one recipe; each named one is read once, when it is first asked for."""

    def __init__(self, node: Node | None, faults: FaultList, *, check_files: bool = True) -> None:
        self._faults, self._check_files = faults, check_files
        self._nodes: dict[str, Node] = {}
        self._found: dict[str, Mask | None] = {}
        self._under_way: list[str] = []
        if node is not None and node.value not in (None, [], {}):
            self._take(node)

    def _take(self, node: Node) -> None:
        if not node.is_mapping:
            self._faults.at(node, "masks", "needs names with a mask each", next_step="as in `sky: {luminance: {from: 1EV}}`")
        for name, mask in node.mapping.items():
            if not re.fullmatch(ID_PATTERN, name) or name in all_masks():
                reason = "is a kind of mask" if name in all_masks() else "is not a name"
                self._faults.at(
                    mask, joined("masks", name), f"{reason}: choose another", found=name, on_key=True,
                    allowed="a letter, then letters, digits, `_` and `-`",
                )
            self._nodes[name] = mask

    def all_named(self) -> dict[str, Mask]:
        """Every named mask that has no faults."""
        found = {name: self._named(name) for name in self._nodes}
        return {name: mask for name, mask in found.items() if mask is not None}

    def read(self, node: Node, address: str) -> Mask | None:
        """The mask of a node; None when it has faults."""
        if isinstance(node.value, str):
            return self._referred(node, address)
        if not node.is_mapping or len(node.mapping) != 1:
            what = "is not a mask" if not node.is_mapping else "needs exactly one kind of mask"
            found = None if not node.is_mapping else ", ".join(node.mapping) or "nothing"
            self._faults.at(node, address, what, found=found, allowed=listed(all_masks()), next_step=_EXAMPLE)
            return None
        (kind, values), = node.mapping.items()
        if kind not in all_masks():
            self._unknown(values, joined(address, kind), kind, on_key=True)
            return None
        return self._of_kind(all_masks()[kind], values, joined(address, kind))

    def _unknown(self, node: Node, address: str, name: str, *, on_key: bool) -> None:
        options = [*self._nodes, *all_masks()]
        what = "is not a kind of mask" if on_key else "there is no mask of this name"
        allowed = listed(all_masks()) if on_key else listed(self._nodes) or "no masks are named"
        hint = did_you_mean(name, options) or "name it under `masks:`"
        self._faults.at(node, address, what, found=name, allowed=allowed, next_step=hint, on_key=on_key)

    def _referred(self, node: Node, address: str) -> Mask | None:
        name = str(node.value)
        if name in self._under_way:
            circle = " → ".join([*self._under_way[self._under_way.index(name) :], name])
            self._faults.at(
                node, address, "leads back to itself: a mask cannot be made of itself", found=circle,
                next_step="remove one of these names",
            )
            return None
        if name in self._nodes:
            return self._named(name)
        kind = all_masks().get(name)
        if kind is not None and kind.inner == "none" and not any(f.is_required() for f in kind.model_fields.values()):
            return self._of_kind(kind, Node({}, node.source, node.line, node.key_line), joined(address, name))
        self._unknown(node, address, name, on_key=False)
        return None

    def _named(self, name: str) -> Mask | None:
        if name not in self._found:
            with self._entered(name):
                self._found[name] = self.read(self._nodes[name], joined("masks", name))
        return self._found[name]

    @contextmanager
    def _entered(self, name: str) -> Iterator[None]:
        self._under_way.append(name)
        try:
            yield
        finally:
            self._under_way.pop()

    def _of_kind(self, kind: type[Mask], node: Node, address: str) -> Mask | None:
        if address.count(".") > MOST_DEEP + 8:
            self._faults.at(node, address, "lies too deep inside other masks", allowed=f"{MOST_DEEP} levels")
            return None
        if kind.inner == "many":
            return self._joined(kind, node, address)
        values = self._by_name(kind, node, address)
        if values is None:
            return None
        own = {key: value for key, value in values.mapping.items() if key != "mask" or kind.inner == "none"}
        place = Node(own, values.source, values.line, values.key_line)
        also = ["mask"] if kind.inner == "one" else []
        made = checked(kind, place, address, self._faults, owner=f"`{kind.name}`", also=also)
        inner = self._inner_one(values, address) if kind.inner == "one" else None
        if made is None or (kind.inner == "one" and inner is None):
            return None
        if isinstance(made, Image):
            return self._image(made, values, address)
        return made if inner is None else made.made_of(inner)

    def _by_name(self, kind: type[Mask], node: Node, address: str) -> Node | None:
        """The values by name; one bare value stands for the figure's points, or for the only parameter."""
        if node.is_mapping:
            return node
        place = (node.source, node.line, node.key_line)
        if node.value is None:
            return Node({}, *place)
        if name := short_field(kind):
            return Node({name: node}, *place)
        names = [*names_of(kind), *(["mask"] if kind.inner == "one" else [])]
        self._faults.at(node, address, "needs its values by name", allowed=listed(names))
        return None

    def _joined(self, kind: type[Mask], node: Node, address: str) -> Mask | None:
        if not node.is_list or not node.items:
            self._faults.at(
                node, address, "needs a list of masks", next_step=f"as in `{kind.name}: [sky, {{hue: {{at: 260deg}}}}]`"
            )
            return None
        found = [self.read(item, joined(address, index)) for index, item in enumerate(node.items)]
        whole = [mask for mask in found if mask is not None]
        return kind().made_of(*whole) if len(whole) == len(found) else None

    def _inner_one(self, values: Node, address: str) -> Mask | None:
        node = values.mapping.get("mask")
        if node is None:
            self._faults.at(
                values, joined(address, "mask"), "is missing: the mask that is softened", found="", next_step="state it",
                on_key=True,
            )
            return None
        return self.read(node, joined(address, "mask"))

    def _image(self, mask: Image, values: Node, address: str) -> Mask | None:
        node = values.mapping["file"]
        place = joined(address, "file")
        folder = node.source.folder
        if not self._check_files and not os.path.isfile(os.path.join(folder, mask.file)):
            return mask
        try:
            return mask.found_in(folder, place)
        except TilepipeError as error:
            for fault in error.faults:
                self._faults.at(
                    node, place, fault.what, found=fault.found or None, allowed=fault.allowed, next_step=fault.next_step
                )
            return None
