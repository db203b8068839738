"""The words and tables of a report, as HTML: every figure stands in an element that names where it is from."""

from __future__ import annotations

import html
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib import resources
from typing import Any

from tilepipe.device import exact
from tilepipe.run.worst import WorstPlace

Told = Mapping[str, Any]
MOST_REGIONS = 400  # digests shown; the receipt beside the picture holds all of them
KINDS = {
    "halo": "Halo", "clipped": "Clipped in all frames", "noise": "Noise", "merged": "Perhaps shown twice",
    "moved": "Moved", "rim": "Rim of what moved", "residual": "Alignment", "gamut": "Out of gamut", "spot": "Spot",
}
_FORMS: dict[str, Callable[[Any], str]] = {
    "text": str,
    "count": lambda value: f"{value:d}",
    "stops": lambda value: f"{exact.log2(value):+.2f} EV",
    "ev": lambda value: f"{value:+.2f} EV",
    "share": lambda value: f"{100.0 * value:.2f} %",
    "px": lambda value: f"{value:.2f} px",
    "lightness": lambda value: f"{value:.2f} L*",
    "seconds": lambda value: f"{value:.1f} s",
    "mib": lambda value: f"{value / (1 << 20):.1f} MiB",
    "kelvin": lambda value: f"{value:.0f} K",
    "small": lambda value: f"{value:.3e}",
    "plain": lambda value: f"{value:g}",
}


def picked(told: Told, path: str) -> Any:
    """The value at a path of names and numbers joined by `/`; None where it is not there."""
    value: Any = told
    for name in path.split("/"):
        try:
            value = value[int(name)] if isinstance(value, list) else value[name]
        except (KeyError, IndexError, TypeError):
            return None
    return value


def figure(told: Told, path: str, form: str = "text") -> str:
    """A value of the receipt as words, in an element that says where it is from; a dash where it is unknown."""
    value = picked(told, path)
    if value is None:
        return "–"
    return f'<span data-from="{html.escape(path)}" data-form="{form}">{html.escape(_FORMS[form](value))}</span>'


def page(told: Told, pictures: Mapping[str, str], places: Sequence[WorstPlace]) -> str:
    """The whole file. `pictures` are data URIs by name: `picture`, `frame-0` …, `step-ID`, `group-ID`, `worst-0` …"""
    name = html.escape(str(told["recipe"]["name"]))
    sections = [
        _frames(told, pictures), _moved(told, pictures), _worst(pictures, places), _steps(told, pictures),
        _checks(told), _delivered(told), _work(told), _receipt(told),
    ]
    style = resources.files("tilepipe.report").joinpath("style.css").read_text(encoding="utf-8")
    shown = _img(pictures, "picture", f"The finished picture {told['recipe']['name']}")
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>Report: {name}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{style}</style></head><body>"
        f'<a class="skip" href="#frames">To the measurements</a>{_head(told, name)}'
        f'<main><section class="wall" aria-label="The picture">{shown}</section>{"".join(sections)}</main>'
        f"<footer><p>Made by tilepipe {figure(told, 'tilepipe')}. Crops are pixels of the finished picture, 1:1, in sRGB.</p>"
        "</footer></body></html>\n"
    )


def _head(told: Told, name: str) -> str:
    notes = "".join(
        f'<p class="note">{figure(told, f"warnings/{index}/text")}'
        + (f" – {figure(told, f'warnings/{index}/next_step')}" if warning.get("next_step") else "") + "</p>"
        for index, warning in enumerate(told.get("warnings", ()))
    )
    return (
        f"<header><h1>{name}</h1><p>{figure(told, 'result/width', 'count')} × {figure(told, 'result/height', 'count')} px, "
        f"begun {figure(told, 'started')}, {figure(told, 'seconds', 'seconds')} on {figure(told, 'device')}.</p>"
        f"<p>Root digest <code>{figure(told, 'result/root')}</code></p>{notes}</header>"
    )


def _img(pictures: Mapping[str, str], name: str, text: str) -> str:
    uri = pictures.get(name)
    return f'<img src="{uri}" alt="{html.escape(text, quote=True)}">' if uri else ""


def _table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    def cell(tag: str, index: int, text: str, more: str = "") -> str:
        return f'<{tag}{more}{" class=number" if index in numbers else ""}>{text}</{tag}>'

    head = "".join(cell("th", index, text, ' scope="col"') for index, text in enumerate(heads))
    body = "".join(
        "<tr>" + "".join(cell("td", index, text) for index, text in enumerate(row)) + "</tr>" for row in rows
    )
    return (
        f'<div class="wide"><table><caption>{caption}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


def _section(anchor: str, title: str, *parts: str) -> str:
    return f'<section id="{anchor}"><h2>{title}</h2>{"".join(parts)}</section>'


def _frames(told: Told, pictures: Mapping[str, str]) -> str:
    rows, figures = [], []
    for index, frame in enumerate(told["inputs"]):
        matched = _of_frame(told, "match", frame["file"])
        aligned = _of_frame(told, "align", frame["file"])
        share = picked(told, f"checks/blend/shares/{frame['file']}")
        bar = f'<span class="bar" style="width:{5.0 * share:.3f}rem"></span>' if share is not None else ""
        rows.append((
            figure(told, f"inputs/{index}/file"), figure(told, f"inputs/{index}/light", "stops"),
            figure(told, f"{matched}/exposure", "stops"), figure(told, f"{matched}/gain", "stops"),
            figure(told, f"{aligned}/model"), figure(told, f"{aligned}/largest_move_px", "px"),
            figure(told, f"{aligned}/residual_median_px", "px"),
            figure(told, f"checks/blend/shares/{frame['file']}", "share") + bar,
            figure(told, f"inputs/{index}/noise/0", "small"), figure(told, f"inputs/{index}/noise/1", "small"),
        ))
        image = _img(pictures, f"frame-{index}", f"Frame {frame['file']} as it was exposed")
        if image:
            figures.append(f"<figure>{image}<figcaption>{figure(told, f'inputs/{index}/file')}</figcaption></figure>")
    heads = ("frame", "light", "as stated", "corrected by", "alignment", "moved by", "rest", "gave", "shot noise", "read noise")
    words = (
        f"<p>{figure(told, 'measurements/base_choice/reason')}.</p><p>The scene's mean brightness lies "
        f"{figure(told, 'measurements/scene/log_average_stops', 'ev')} from the base frame's clipping, its bright end "
        f"{figure(told, 'measurements/scene/bright_stops', 'ev')}; the light was balanced for "
        f"{figure(told, 'measurements/as_shot/kelvin', 'kelvin')}.</p>"
    )
    table = _table("Light beside the base frame, dark to bright", heads, rows, (1, 2, 3, 5, 6, 8, 9))
    return _section("frames", "The frames", words, f'<div class="row">{"".join(figures)}</div>', table)


def _of_frame(told: Told, measurement: str, name: str) -> str:
    """Where a measurement tells of the frame of this file."""
    frames = picked(told, f"measurements/{measurement}/frames") or []
    index = next((number for number, frame in enumerate(frames) if frame.get("name") == name), None)
    return f"measurements/{measurement}/frames/{index}"


def _moved(told: Told, pictures: Mapping[str, str]) -> str:
    groups = picked(told, "measurements/motion/groups")
    if groups is None:
        return ""
    if not groups:
        return _section("moved", "What moved", "<p>Nothing moved between the frames.</p>")
    rows, crops = [], []
    for index, group in enumerate(groups):
        path = f"measurements/motion/groups/{index}"
        size = f"{figure(told, f'{path}/size_px/0', 'count')} × {figure(told, f'{path}/size_px/1', 'count')} px"
        rows.append((
            figure(told, f"{path}/id", "count"), size, figure(told, f"{path}/share", "share"), figure(told, f"{path}/name"),
            figure(told, f"{path}/why"),
        ))
        image = _img(pictures, f"group-{group['id']}", f"Group {group['id']}, taken from {group['name']}")
        if image:
            crops.append(
                f"<figure>{image}<figcaption>Group {figure(told, f'{path}/id', 'count')}, from "
                f"{figure(told, f'{path}/name')}</figcaption></figure>"
            )
    table = _table("Every group comes from one frame", ("group", "size", "of the picture", "from", "why"), rows, (0, 2))
    return _section("moved", "What moved", f'<div class="crops">{"".join(crops)}</div>', table)


def _worst(pictures: Mapping[str, str], places: Sequence[WorstPlace]) -> str:
    if not places:
        return _section("worst", "Where to look", "<p>The checks found no place that stands out.</p>")
    crops = []
    for index, place in enumerate(places):
        at = "cut away from the finished picture" if place.picture is None else (
            f'x <span data-worst="{index}/x">{place.picture[0]:.0f}</span>, '
            f'y <span data-worst="{index}/y">{place.picture[1]:.0f}</span>'
        )
        base = (
            f'base frame x <span data-worst="{index}/base_x">{place.base[0]:.0f}</span>, '
            f'y <span data-worst="{index}/base_y">{place.base[1]:.0f}</span>'
        )
        image = _img(pictures, f"worst-{index}", f"{KINDS[place.kind]}: {place.sentence}")
        crops.append(
            f'<figure>{image}<figcaption><span class="kind">{KINDS[place.kind]}</span>: '
            f'<span data-worst="{index}/sentence">{html.escape(place.sentence)}</span><br>{at}; {base}</figcaption></figure>'
        )
    words = "<p>What the checks found, the worst first, each in the middle of its crop.</p>"
    return _section("worst", "Where to look", words, f'<div class="crops">{"".join(crops)}</div>')


def _steps(told: Told, pictures: Mapping[str, str]) -> str:
    figures, rows = [], []
    for index, step in enumerate(told["recipe"]["steps"]):
        path = f"recipe/steps/{index}"
        values = ", ".join(
            f"{html.escape(name)} {_value(told, f'{path}/parameters/{name}')}"
            for name, value in step["parameters"].items() if value not in (None, [], {})
        )
        where = f"<code>{_value(told, f'{path}/where')}</code>" if step.get("where") else "everywhere"
        strength = figure(told, f"{path}/strength", "plain")
        rows.append((figure(told, f"{path}/id"), values, where, strength))
        image = _img(pictures, f"step-{step['id']}", f"The picture after the step {step['id']}")
        if image:
            figures.append(f"<figure>{image}<figcaption>after {figure(told, f'{path}/id')}</figcaption></figure>")
    table = _table("All values, defaults included", ("step", "values", "where", "strength"), rows, (3,))
    return _section("steps", "The steps", f'<div class="row">{"".join(figures)}</div>', table)


def _value(told: Told, path: str) -> str:
    """A value of any kind as it is spelled in JSON, but text as it is."""
    value = picked(told, path)
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return f'<span data-from="{html.escape(path)}" data-form="json">{html.escape(text)}</span>'


def _checks(told: Told) -> str:
    rows = [
        ("clipped in all frames, of the picture", figure(told, "checks/blend/clipped_share", "share")),
        ("noise beside the base frame's, median", figure(told, "checks/blend/noise_stops/median", "ev")),
        ("noise, highest of 99 of 100 cells", figure(told, "checks/blend/noise_stops/highest_of_99_percent", "ev")),
        ("halo beside strong edges, largest", figure(told, "checks/halo/largest", "lightness")),
        ("of these edges with half an L* or less", figure(told, "checks/halo/within_half", "share")),
        ("of moving cells left merged", figure(told, "checks/groups/merged_share", "share")),
        ("light across rims of what moved, median", figure(told, "checks/rims/median_stops", "ev")),
        ("light across rims, largest", figure(told, "checks/rims/largest_stops", "ev")),
        ("colours that sRGB cannot show as they are", figure(told, "checks/gamut/share", "share")),
        ("colours that Display P3 cannot show", figure(told, "checks/gamut/share_p3", "share")),
    ]
    return _section("checks", "Measured on the result", _table("Checks", ("what", "found"), rows, (1,)))


def _delivered(told: Told) -> str:
    rows = []
    for index, _ in enumerate(told.get("deliverables", ())):
        path = f"deliverables/{index}"
        size = f"{figure(told, f'{path}/width', 'count')} × {figure(told, f'{path}/height', 'count')} px"
        kind = f"{figure(told, f'{path}/kind')}, {figure(told, f'{path}/space')}, {figure(told, f'{path}/bits', 'count')} bit"
        rows.append((
            figure(told, f"{path}/path"), kind, size, figure(told, f"{path}/bytes", "mib"),
            f"<code>{figure(told, f'{path}/digest')}</code>",
        ))
    table = _table("Files beside the receipt", ("file", "kind", "size", "bytes", "digest"), rows, (3,))
    return _section("files", "What was delivered", table) if rows else ""


def _work(told: Told) -> str:
    passes = [(html.escape(name), figure(told, f"pass_seconds/{name}", "seconds")) for name in told.get("pass_seconds", {})]
    versions = [(html.escape(name), figure(told, f"versions/{name}")) for name in told.get("versions", {})]
    words = (
        f"<p>{figure(told, 'plan/workers', 'count')} workers, tiles of {figure(told, 'plan/tile_px', 'count')} px; "
        f"{figure(told, 'plan/promise_bytes', 'mib')} promised, {figure(told, 'plan/peak_bytes', 'mib')} used at most. "
        f"{figure(told, 'machine/system')}</p>"
    )
    return _section(
        "work", "How it was made", words, _table("Seconds of each pass in the last run", ("pass", "time"), passes, (1,)),
        _table("Versions", ("what", "version"), versions),
    )


def _receipt(told: Told) -> str:
    regions = told["result"].get("regions", [])
    kept = dict(told)
    kept["result"] = {**told["result"], "regions": regions[:MOST_REGIONS]}
    left = len(regions) - len(kept["result"]["regions"])
    more = f"<p>{left} more digests stand in the receipt's own file.</p>" if left else ""
    text = html.escape(json.dumps(kept, indent=1, ensure_ascii=False))
    words = (
        "<p>A digest for every 512×512 pixels of the result, row by row: <code>tilepipe verify</code> computes them "
        "again.</p>"
    )
    return _section(
        "receipt", "The receipt", words, more,
        f'<details><summary>All of it, as JSON</summary><pre id="receipt-text" tabindex="0">{text}</pre></details>',
    )
