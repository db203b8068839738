"""The command line: reads words, calls the library, shows results and faults."""

from __future__ import annotations

import io
import json
import os
import signal
import sys
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from types import FrameType
from typing import Any

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from tilepipe import __version__
from tilepipe.cli_options import RECIPE, SETS, Numbers, machine_options
from tilepipe.errors import InputError, PlanError, TilepipeError
from tilepipe.formats.write_pending import Pending, refused_by_system, wrapped_refusal, writing_to
from tilepipe.recipe.load import load_recipe
from tilepipe.recipe.model import Recipe
from tilepipe.run.progress import TerminalBars, listener_for
from tilepipe.run.recipe_run import Settings, make_plan, run_plan

STOPPED = 130  # the exit code of a program that Ctrl-C has ended: 128 and the signal's number
_SHOW_CURSOR = b"\x1b[?25h"
@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 120})
@click.version_option(__version__)
def main_group() -> None:
    """Bracketed landscape frames in, a finished master out: tile by tile, in bounded memory, same bits everywhere."""


@main_group.command()
@RECIPE
@SETS
@machine_options
def plan(recipe: Path, sets: tuple[str, ...], **machine: Any) -> None:
    """Say what a run would do: passes, margins, memory, disk, time."""
    from tilepipe.run.plan_text import plan_table

    loaded = load_recipe(recipe, sets=sets)
    Console().print(plan_table(make_plan(loaded, Settings(**machine)), loaded))


@main_group.command()
@RECIPE
@SETS
@machine_options
@click.option("--json", "json_lines", is_flag=True, help="Progress as JSON lines.")
@click.option("--trace", type=click.Path(path_type=Path), help="Write what ran when, as JSON in the Trace Event Format.")
def run(recipe: Path, sets: tuple[str, ...], json_lines: bool, trace: Path | None, **machine: Any) -> None:
    """Do the job at full size; go on where an earlier run stopped."""
    from tilepipe.device.trace import written

    loaded = load_recipe(recipe, sets=sets)
    with written(trace):
        receipt = _with_progress(json_lines, lambda listener: run_plan(loaded, Settings(**machine), listener))
    _say_results(receipt)


def _with_progress(json_lines: bool, work: Callable[[Any], Any]) -> Any:
    listener = listener_for(json_lines)
    with listener if isinstance(listener, TerminalBars) else nullcontext():
        return work(listener)


def _say_results(receipt: Path) -> None:
    told = json.loads(receipt.read_text(encoding="utf-8"))
    for item in told["deliverables"]:
        click.echo(f"{item['kind']:12} {_shown(receipt.parent / item['path'])}")
    click.echo(f"{'receipt':12} {_shown(receipt)}")
    click.echo(f"{'root digest':12} {told['result']['root']}")


def _shown(path: Path) -> Path:
    """A path as short as it can be said from here."""
    return path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path


@main_group.command()
@RECIPE
@SETS
@machine_options
@click.option("--long-side", type=click.IntRange(64, 16384), default=1600, show_default=True, help="Size of the proof.")
@click.option("--at", type=Numbers(), help="Upper left corner X,Y of a full-size window with its final bits.")
@click.option("--size", type=Numbers(), help="Size W,H of that window, 1200,800 if not stated; 420,300 in a strip.")
@click.option("--strip", metavar="STEP.PARAMETER=A,B,C", help="Step one value over crops of the picture, on one sheet.")
@click.option("--why", "asked", type=Numbers(), help="Tell why pixel X,Y of the finished picture is as it is.")
@click.option("--mask", "mask", metavar="NAME", help="Show a mask, by its name or the id of a step that has one.")
def proof(
    recipe: Path, sets: tuple[str, ...], long_side: int, at: Any, size: Any, strip: str | None, asked: Any,
    mask: str | None, **machine: Any,
) -> None:
    """Show what the run will give: reduced, a full-size window with its final bits, or one value stepped on a sheet."""
    from tilepipe.run.proof import reduced_proof
    from tilepipe.run.window import window_proof

    loaded: Recipe = load_recipe(recipe, sets=sets)
    settings = Settings(**machine)
    if asked is not None:
        from tilepipe.run.why import why

        for line in _with_progress(False, lambda listener: why(loaded, settings, asked, listener)).lines():
            click.echo(line)
        return
    if mask is not None:
        from tilepipe.run.proof_mask import mask_proof

        pictures = _with_progress(False, lambda listener: mask_proof(loaded, settings, mask, long_side, listener))
        for path, what in zip(pictures, ("mask", "overlay"), strict=True):
            click.echo(f"{what:12} {_shown(path)}")
        return
    if strip is not None:
        from tilepipe.run.strips import CROP_PX, make_strip

        path = _with_progress(False, lambda listener: make_strip(loaded, settings, strip, at, size or CROP_PX, listener))
    elif at is None:
        path = _with_progress(False, lambda listener: reduced_proof(loaded, settings, long_side, listener))
    else:
        path = _with_progress(False, lambda listener: window_proof(loaded, settings, at, size or (1200, 800), listener))
    click.echo(f"proof        {_shown(path)}")


@main_group.command()
@click.argument("receipt", type=click.Path(path_type=Path))
@click.option("--share", type=click.FloatRange(0, 100, min_open=True), default=10.0, show_default=True,
              help="Per cent of the regions to compute again.")
@machine_options
def verify(receipt: Path, share: float, **machine: Any) -> None:
    """Compute regions of a finished picture again and compare them with its receipt."""
    from tilepipe.run.verify import verify as verify_receipt

    checked = _with_progress(
        False, lambda listener: verify_receipt(receipt, share_percent=share, settings=Settings(**machine), listener=listener)
    )
    click.echo(f"{checked.equal} of {checked.regions} regions computed again: all equal to the receipt")


@main_group.command()
@click.argument("source", metavar="[RECIPE|FOLDER]", type=click.Path(path_type=Path), default=Path("."))
@machine_options
def report(source: Path, **machine: Any) -> None:
    """Write what a run did as one HTML file beside its receipt: pictures, measurements, worst places."""
    from tilepipe.report.write import write_report

    path = _with_progress(False, lambda listener: write_report(source, settings=Settings(**machine), listener=listener))
    click.echo(f"report       {_shown(path)}")


@main_group.command()
@click.argument("name", required=False)
@click.option("--schema", is_flag=True, help="The JSON Schema of a recipe.")
def stages(name: str | None, schema: bool) -> None:
    """List the stages, or one stage's parameters."""
    from tilepipe.recipe import describe
    from tilepipe.recipe.schema import schema_text

    if schema:
        click.echo(schema_text(), nl=False)
        return
    console = Console()
    for described in ([describe.describe_stage(name)] if name else describe.describe_all()):
        console.print(_stage_table(described))


def _stage_table(described: Any) -> Table:
    table = Table(title=escape(f"{described.name} – {described.sentence}"), title_justify="left")
    for heading in ("parameter", "default", "allowed", "what it does"):
        table.add_column(heading)
    for row in described.rows:
        table.add_row(*map(Text, (row.name, row.default, row.allowed, row.sentence)))
    return table


@main_group.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
def new(folder: Path) -> None:
    """Look at a folder of frames, find the bracket sets, write a first recipe for each."""
    from tilepipe.formats.folder import find_brackets
    from tilepipe.recipe.new import first_recipe

    refused: list[InputError] = []
    found = find_brackets(folder, on_refused=refused.append)
    for error in refused:
        click.echo(f"left out     {error}", err=True)
    brackets = [one for one in found if len(one.frames) > 1] or found[:1] * (len(found) == 1)
    if not brackets:
        raise _without_brackets(folder, len(found), len(refused))
    for number, bracket in enumerate(brackets, start=1):
        path = folder / ("recipe.yaml" if len(brackets) == 1 else f"recipe-{number}.yaml")
        if path.exists():
            click.echo(f"kept         {_shown(path)} (it exists)")
            continue
        with writing_to(path, "copy the frames into another folder"), Pending(path) as pending:
            pending.path.write_text(first_recipe([bracket], folder=folder), encoding="utf-8")
            pending.commit()
        click.echo(f"recipe       {_shown(path)} ({len(bracket.frames)} frame{'s' * (len(bracket.frames) != 1)})")
    alone = len(found) - len(brackets)
    if alone:
        click.echo(f"left out     {alone} frame{'s' * (alone != 1)} that belong{'s' * (alone == 1)} to no bracket")


def _without_brackets(folder: Path, alone: int, refused: int) -> InputError:
    """The error for a folder in which no two frames belong together."""
    counts = [f"{alone} frames, each alone" if alone else "no frame that can be read"]
    counts += [f"{refused} file{'s' * (refused != 1)} that cannot be read"] if refused else []
    return InputError(
        "no bracket was found in this folder", str(folder), ", ".join(counts),
        "frames of one camera and size, in different exposures, taken close in time",
        "name the folder that holds the frames, or write them into a recipe: `frames: [dark.dng, bright.dng]`",
    )


@main_group.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default=Path("tilepipe-demo"))
@click.option("--megapixels", type=click.FloatRange(0.05, 4000), default=6.0, show_default=True, help="Size of a frame.")
@click.option("--frames", "kind", type=click.Choice(["dng", "tiff"]), default="dng", show_default=True, help="Raw or TIFF.")
@click.option("--json", "json_lines", is_flag=True, help="Progress as JSON lines.")
@machine_options
def demo(folder: Path, megapixels: float, kind: str, json_lines: bool, **machine: Any) -> None:
    """Make the invented scene, run the whole job on it, say where the results are."""
    from tilepipe.demo.job import make_demo

    with writing_to(folder, "name another folder: `tilepipe demo FOLDER`"):
        recipe = make_demo(folder, megapixels, kind, say=click.echo)
    receipt = _with_progress(json_lines, lambda listener: run_plan(load_recipe(recipe), Settings(**machine), listener))
    _say_results(receipt)


@main_group.command()
@RECIPE
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Default: a free one.")
@click.option("--listen", metavar="ADDRESS", help="Also for other machines: whoever has the address can change and run.")
@click.option("--browser/--no-browser", default=True, show_default=True, help="Open the page at once.")
@machine_options
def review(recipe: Path, port: int, listen: str | None, browser: bool, **machine: Any) -> None:
    """Open the recipe's picture, steps and masks as a page on this machine."""
    import webbrowser

    from tilepipe.review.serve import serve

    serve(recipe, Settings(**machine), click.echo, port, listen, webbrowser.open if browser else None)


@main_group.command()
def doctor() -> None:
    """Say what this machine can do and prove the same-bits promise on it."""
    from tilepipe.run.doctor import examine

    healthy = True
    for line in examine():
        healthy = healthy and line.good
        click.echo(f"{'ok  ' if line.good else 'BAD '} {line.what:34} {line.found}")
    if not healthy:
        sys.exit(2)


class _Interrupt:
    """The first Ctrl-C ends the run when the tiles in flight are done, the second ends the process at once."""

    def __init__(self) -> None:
        self._asked = False

    def __call__(self, number: int, frame: FrameType | None) -> None:
        if self._asked:
            # What stands in the working folder is sound at every moment, as after a power cut.
            os.write(2, (_SHOW_CURSOR if os.isatty(2) else b"") + b"\ntilepipe: stopped at once\n")
            os._exit(STOPPED)
        self._asked = True
        raise KeyboardInterrupt


def main() -> None:
    """Runs the command line; faults are told on standard error, exit codes: 2 input, 3 pixels, 4 verify, 130 stopped."""
    signal.signal(signal.SIGINT, _Interrupt())  # a shell's background jobs inherit it ignored
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that lacks `×` still gets the sentence
    try:
        main_group(prog_name="tilepipe", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (KeyboardInterrupt, click.Abort):
        click.echo("tilepipe: stopped; the same command goes on from here", err=True)
        sys.exit(STOPPED)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # nobody reads on: nothing to tell at the end either
        sys.exit(1)
    except Exception as error:
        told = _told(error)
        if told is None:
            raise
        click.echo(f"tilepipe: {told}", err=True)
        sys.exit(told.exit_code)


def _told(error: Exception) -> TilepipeError | None:
    """An error in the words of this program; None for one that only its makers can understand."""
    if isinstance(error, TilepipeError):
        return error
    if isinstance(error, MemoryError):
        return PlanError(
            "the memory is used up", found=str(error), next_step="close other programs, or give less with --memory and "
            "--workers; the next run goes on from here",
        )
    refused = wrapped_refusal(error) if isinstance(error, RuntimeError) else error
    return refused_by_system(None, refused) if isinstance(refused, OSError) else None


if __name__ == "__main__":
    main()
