"""What a run would deliver, before anything is read but headers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cloudprep.engine.deliver import LAYERS, SURFACE
from cloudprep.engine.footprints import INDEX
from cloudprep.engine.record import ITEM_NAME, RECORD_NAME
from cloudprep.judging.files import JUDGEMENT_NAMES

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cloudprep.config import Pipeline
    from cloudprep.engine.delivery import Delivery
    from cloudprep.engine.folder import RunFolder
    from cloudprep.engine.plan import RunPlan
    from cloudprep.stages.base import Stage


def planned_outputs(
    stages: Sequence[Stage], folder: RunFolder, delivery: Delivery, pipeline: Pipeline
) -> list[Path]:
    """Return the files beside the clouds that a run would write.

    Parameters
    ----------
    stages : sequence of Stage
        Resolved.
    folder : RunFolder
        Where to.
    delivery : Delivery
        How rasters are cut.
    pipeline : Pipeline
        What else is asked for.
    """
    wanted, tiling = pipeline.output, delivery.tiling
    rasters = dict.fromkeys(g for s in stages for g in s.products())
    found = [folder.terrain / f"{g if tiling is None else tiling.pattern(g)}.tif" for g in rasters]
    if any(s.makes_layers for s in stages):
        endings = [ending for ending in ("gpkg", "dxf") if ending in wanted.layers]
        found += [folder.terrain / LAYERS.format(ending) for ending in endings]
    found += [folder.terrain / SURFACE.format(n) for s in stages for n in s.makes_surfaces]
    found += [folder.terrain / INDEX] if wanted.tile_index else []
    found += [folder.root / ITEM_NAME] if wanted.stac_item else []
    found += [folder.root / name for name in JUDGEMENT_NAMES] if pipeline.gates else []
    return [*found, folder.root / RECORD_NAME]


def plan_record(plan: RunPlan, outputs: Sequence[str]) -> dict[str, Any]:
    """Return a plan as plain values, for machines."""
    return {
        "points": plan.points,
        "blocks": plan.blocks,
        "memory_bytes": plan.memory.expected,
        "on_disk": plan.memory.on_disk,
        "scratch_bytes": plan.memory.scratch,
        "passes": [
            {"stage": s.name, "sweeps": s.sweeps, "buffer_m": s.reach, "hands_on": list(s.working)}
            for s in plan.stages
        ],
        "extra_dimensions": list(plan.extra_labels),
        "outputs": list(outputs),
    }
