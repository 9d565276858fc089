"""Layers go to be written once no later stage makes any, surfaces at once, each of them once."""

import numpy as np
import pytest

from cloudprep.engine.passes import ContractError
from cloudprep.engine.products import Products
from cloudprep.engine.stage_result import StageResult
from cloudprep.model.layer import Layer, TinSurface
from cloudprep.stages.lines.contours import Contours
from cloudprep.stages.lines.spot_heights import SpotHeights
from cloudprep.stages.lines.terrain_tin import TerrainTin


def _layer(name):
    return Layer(name, "point", np.empty(0, object), meaning="made up")


def _surface():
    return TinSurface("terrain_tin", np.zeros((0, 3)), np.zeros((0, 3), np.int64), "made up")


@pytest.fixture
def told():
    return []


@pytest.fixture
def products(told):
    stages = [Contours(), TerrainTin(), SpotHeights(), TerrainTin()]
    return Products(
        stages,
        lambda grid: told.append(grid.name),
        lambda layers: told.append([layer.name for layer in layers]),
        lambda surfaces: told.append([surface.name for surface in surfaces]),
    )


def test_layers_wait_for_the_last_stage_that_makes_any(products, told):
    products.take(0, StageResult(layers=(_layer("contours"),)))
    assert told == []
    products.take(1, StageResult(surfaces=(_surface(),)))
    assert told == [["terrain_tin"]]
    products.take(2, StageResult(layers=(_layer("spot_heights"),)))
    assert told == [["terrain_tin"], ["contours", "spot_heights"]]
    products.take(3, StageResult())
    assert told == [["terrain_tin"], ["contours", "spot_heights"]]


def test_layers_of_before_are_written_where_the_last_stage_made_none(products, told):
    products.take(0, StageResult(layers=(_layer("contours"),)))
    products.take(2, StageResult())
    assert told == [["contours"]]


def test_a_layer_that_a_stage_does_not_declare_is_its_fault(products):
    with pytest.raises(
        ContractError, match=r"terrain_tin made layers \['extra'\], which it does not declare"
    ):
        products.take(1, StageResult(layers=(_layer("extra"),)))
