"""Faces of drawings: what is read of them, and that damage is told in one line."""

import ezdxf
import numpy as np
import pytest
from ezdxf.render import MeshBuilder

from cloudprep.errors import BadInputError
from cloudprep.io.dxf_read import read_dxf_faces

CORNERS = [(0, 0, 1), (2, 0, 1), (2, 2, 1), (0, 2, 1.0)]


def saved(path, document):
    document.saveas(path)
    return path


def test_dxf_faces_of_a_polygon_mesh(tmp_path):
    """A net of 3 by 4 places is 2 by 3 squares, two triangles each."""
    document = ezdxf.new("R2010", units=5)
    net = document.modelspace().add_polymesh(size=(3, 4))
    for i in range(3):
        for k in range(4):
            net.set_mesh_vertex((i, k), (i, k, i * k))
    found = read_dxf_faces(saved(tmp_path / "net.dxf", document))
    assert len(found.faces) == 12
    a, b, c = (found.vertices[f] for f in found.faces.T)
    plan = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    assert plan.sum() == pytest.approx(6)
    assert found.horizontal_unit == found.vertical_unit == 0.01
    assert "aren't plane" in found.notes[0]  # i times k isn't


def test_dxf_faces_of_plane_squares_need_no_words(tmp_path):
    document = ezdxf.new("R2010", units=21)
    document.modelspace().add_3dface(CORNERS)
    document.modelspace().add_line((0, 0, 0), (1, 1, 1))
    found = read_dxf_faces(saved(tmp_path / "a.dxf", document))
    assert found.faces.tolist() == [[0, 1, 2], [0, 2, 3]]
    assert found.horizontal_unit == 1200 / 3937
    assert found.notes == ()


def test_dxf_units_and_system_that_a_property_names(tmp_path):
    document = ezdxf.new("R2010", units=6)
    document.modelspace().add_3dface(CORNERS)
    document.header.custom_vars.append("VERTICAL_UNIT_M", "0.3048")
    document.header.custom_vars.append("REFERENCE_SYSTEM", "EPSG:25832 + EPSG:7837")
    found = read_dxf_faces(saved(tmp_path / "a.dxf", document))
    assert (found.horizontal_unit, found.vertical_unit) == (1.0, 0.3048)
    assert found.system == "EPSG:25832 + EPSG:7837"


def test_dxf_damaged_drawings_are_read_or_refused_in_one_line(tmp_path):
    document = ezdxf.new("R2010", units=6)
    mesh = MeshBuilder()
    mesh.add_mesh(vertices=CORNERS, faces=[(0, 1, 2), (0, 2, 3)])
    mesh.render_mesh(document.modelspace())
    mesh.render_polyface(document.modelspace())
    lines = saved(tmp_path / "whole.dxf", document).read_bytes().split(b"\n")
    entities = next(i for i, line in enumerate(lines) if line.strip() == b"ENTITIES")
    rng = np.random.default_rng(5)
    broken = tmp_path / "broken.dxf"
    refused = 0
    for turn in range(60):
        damaged = lines[: rng.integers(len(lines))] if turn % 3 == 0 else list(lines)
        if turn % 3:
            for i in rng.integers(entities, len(lines), turn % 3):
                damaged[i] = rng.choice([b"nan", b"-1", b"99999999", b"", b"abc", b"1e400", b"\xff\xfe"])
        broken.write_bytes(b"\n".join(damaged))
        try:
            found = read_dxf_faces(broken)
        except BadInputError as error:
            refused += "\n" not in str(error)
        else:
            assert np.isfinite(found.vertices).all()
            assert found.faces.max() < len(found.vertices)
    assert refused > 30


def test_dxf_larger_than_memory_allows_is_refused(tmp_path, monkeypatch):
    document = ezdxf.new("R2010")
    document.modelspace().add_3dface(CORNERS)
    path = saved(tmp_path / "a.dxf", document)
    monkeypatch.setattr("cloudprep.io.dxf_read.MOST_BYTES", 1000)
    with pytest.raises(BadInputError, match="give the surface as LandXML"):
        read_dxf_faces(path)
