"""Design surfaces of known bodies, and the files that hold them."""

import numpy as np
from measured_bodies import EAST, NORTH


def strip_faces(rows):
    """Return vertices and triangles of a surface given as rows of as many places (x, y, z)."""
    rows = np.asarray(rows, float)
    n, m, _ = rows.shape
    faces = []
    for i in range(n - 1):
        for k in range(m - 1):
            a, b, c, d = i * m + k, (i + 1) * m + k, (i + 1) * m + k + 1, i * m + k + 1
            faces += [(a, b, c), (a, c, d)]
    return rows.reshape(-1, 3), np.array(faces)


def turned(along, left, z, start, angle):
    """Return a place from its station and its distance to the left of an axis."""
    u = np.array([np.cos(angle), np.sin(angle)])
    x, y = np.asarray(start) + along * u + left * np.array([-u[1], u[0]])
    return x, y, z


def write_landxml(
    path, vertices, faces, *, unit='<Metric linearUnit="meter"/>', system="", corner=(EAST, NORTH), scale=1.0,
    up=1.0, name="design",
):  # fmt: skip
    """Write LandXML as its schema has it: northing, easting, elevation; ids from 1."""
    points = "".join(
        f'<P id="{i + 1}">{(y + corner[1]) / scale:.9f} {(x + corner[0]) / scale:.9f} {z / up:.9f}</P>'
        for i, (x, y, z) in enumerate(vertices)
    )
    triangles = "".join(f"<F>{a + 1} {b + 1} {c + 1}</F>" for a, b, c in faces)
    path.write_text(
        f'<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2"><Units>{unit}</Units>{system}<Surfaces>'
        f'<Surface name="{name}"><Definition surfType="TIN"><Pnts>{points}</Pnts><Faces>{triangles}</Faces>'
        "</Definition></Surface></Surfaces></LandXML>"
    )
    return path
