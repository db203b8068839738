"""All checks of a finished picture, in the order in which a receipt tells them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tilepipe.run.checks import group_check, halo_check
from tilepipe.run.gamut import gamut_check
from tilepipe.run.rims import rim_check

if TYPE_CHECKING:
    from tilepipe.run.execute import Execution


def look_at_all(run: Execution) -> None:
    """Looks at what was made and puts what it finds into `run.checks`."""
    run.checks["halo"] = halo_check(run)
    for name, check in (("gamut", gamut_check), ("groups", group_check), ("rims", rim_check)):
        found = check(run)
        if found is not None:
            run.checks[name] = found
