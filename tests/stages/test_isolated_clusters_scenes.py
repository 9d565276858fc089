"""What is found and what is lost on simulated scenes, with the truth known for every point.

The scenes are made here: pulses in scan lines, beams 0.12 m wide (0.03 m at drone densities), crowns that let
pulses through and hang free of the ground, wires and poles hit by the beams that pass, roofs without walls,
water without returns and islands in it; and birds, flocks, dust, fog and low echoes, clear of real things.
Bars lie just beyond what was measured on these seeds.
"""

import numpy as np
import pytest

from cloudprep.stages.noise.isolated_clusters import ClusterParams, IsolatedClusters
from cloudprep.stages.noise.statistical_outliers import OutlierParams, StatisticalOutliers
from cloudprep.testing import run_stage

SEEDS = (1, 2, 3)
SIZE = {2: (150.0, 100.0), 10: (150.0, 100.0), 60: (90.0, 60.0)}


class Scene:
    """One simulated site; ``add`` collects points under the name of their kind."""

    def __init__(self, seed, density):
        self.rng = np.random.default_rng([seed, density])
        self.density = density
        self.s = density**-0.5
        self.width, self.length = SIZE[density]
        self.beam = 0.03 if density > 40 else 0.12
        self.relief = self.rng.uniform(2, 12)
        x, y = np.meshgrid(
            np.arange(0, self.width, 1.4 * self.s), np.arange(0, self.length, self.s / 1.4), indexing="ij"
        )
        jitter = self.rng.normal(0, 0.08 * self.s, (2, x.size))
        self.x, self.y = x.ravel() + jitter[0], y.ravel() + jitter[1]
        self.energy = np.ones(x.size)
        self.points, self.kinds = [], []
        # The highest thing in each 2 m square, for placing noise clear of everything.
        corner = np.arange(0, self.width + 4, 2.0)[:, None], np.arange(0, self.length + 4, 2.0)
        self.top = self.ground(*corner)

    def ground(self, x, y):
        wide = np.sin(x / 41) * np.cos(y / 33) + 0.3 * np.sin(x / 13) * np.sin(y / 11)
        return 100 + self.relief * wide + 0.1 * np.sin(x / 3.1) * np.sin(y / 2.7)

    def add(self, kind, x, y, z, real=True):
        self.points.append(np.c_[x, y, z])
        self.kinds += [kind] * len(x)
        if real:
            i = np.clip((x / 2).astype(int), 0, self.top.shape[0] - 1)
            j = np.clip((y / 2).astype(int), 0, self.top.shape[1] - 1)
            np.maximum.at(self.top, (i, j), z)

    def highest_near(self, x, y, radius):
        i, j, r = int(x / 2), int(y / 2), int(radius / 2) + 1
        return self.top[max(i - r, 0) : i + r + 1, max(j - r, 0) : j + r + 1].max()

    def noise_about(self, count):
        return self.rng.normal(0, 0.03, count)

    # --- what is real ---

    def water(self):
        """A channel without returns, with two islands; the strip beyond is a patch of its own."""
        wet = (self.x > 0.8 * self.width) & (self.x < 0.93 * self.width)
        small = np.hypot(self.x - 0.86 * self.width, self.y - 0.3 * self.length) < 1.6
        large = np.hypot(self.x - 0.87 * self.width, self.y - 0.7 * self.length) < 3.5
        island = wet & (small | large)
        x, y = self.x[island], self.y[island]
        self.add("island", x, y, self.ground(x, y) + self.noise_about(len(x)))
        self.energy[wet] = 0

    def roofs(self):
        sizes = (
            ((10, 12, 7, 0), (9, 14, 6, 0.6), (25, 30, 9, 0), (4, 5, 4, 0))
            if self.width > 100
            else ((9, 12, 7, 0.5),)
        )
        for wide, long, height, pitch in sizes:
            cx, cy = self.rng.uniform(15, 0.75 * self.width - 15), self.rng.uniform(15, self.length - 15)
            turn = self.rng.uniform(0, np.pi)
            u = (self.x - cx) * np.cos(turn) + (self.y - cy) * np.sin(turn)
            v = (self.y - cy) * np.cos(turn) - (self.x - cx) * np.sin(turn)
            on = (np.abs(u) < wide / 2) & (np.abs(v) < long / 2) & (self.energy > 0)
            z = self.ground(cx, cy) + 2 + height + pitch * (wide / 2 - np.abs(u[on]))
            self.add("roof", self.x[on], self.y[on], z + self.noise_about(on.sum()))
            self.energy[on] = 0

    def trees(self):
        for _ in range(int(self.width * self.length / 250)):
            cx, cy = self.rng.uniform(0, 0.77 * self.width), self.rng.uniform(0, self.length)
            height = self.rng.uniform(6, 24)
            radius, bare = height * self.rng.uniform(0.12, 0.22) + 0.4, self.rng.uniform(0.2, 0.6)
            under = np.flatnonzero((np.hypot(self.x - cx, self.y - cy) < radius) & (self.energy > 0))
            away = np.hypot(self.x[under] - cx, self.y[under] - cy) / radius
            half = height * (1 - bare) / 2 * np.sqrt(1 - away**2)
            middle = self.ground(cx, cy) + height * (1 + bare) / 2
            depth = np.zeros(len(under))
            for _ in range(3):
                depth += self.rng.exponential(max(radius, 1), len(under))
                hit = depth < 2 * half
                rows = under[hit]
                self.add("tree", self.x[rows], self.y[rows], (middle + half - depth)[hit])
                self.energy[rows] *= self.rng.uniform(0.4, 0.75, len(rows))
                depth += 0.4

    def wire(self, start, end, sag):
        along = np.subtract(end, start)
        flat = np.hypot(along[0], along[1])
        t = ((self.x - start[0]) * along[0] + (self.y - start[1]) * along[1]) / flat**2
        away = np.abs((self.x - start[0]) * along[1] - (self.y - start[1]) * along[0]) / flat
        hit = (t >= 0) & (t <= 1) & (away < self.beam + 0.015) & (self.rng.random(len(t)) < 0.8)
        z = start[2] + along[2] * t - 4 * sag * t * (1 - t)
        self.add("wire", self.x[hit], self.y[hit], z[hit] + self.noise_about(hit.sum()))

    def lines(self):
        """A transmission line of four conductors, and a line to the houses with its poles."""
        rise = self.rng.uniform(5, 20)
        far = 0.75 * self.width
        for off, up in ((-4, 24), (0, 24), (4, 24), (-2, 28)):
            y0, y1 = 0.3 * self.length + off, 0.3 * self.length + rise + off
            self.wire((2, y0, 100 + self.relief + up), (far, y1, 101 + self.relief + up), sag=2.5)
        for x0 in np.arange(6, far - 40, 40.0):
            for off in (-0.5, 0.5):
                y = 0.08 * self.length + off
                self.wire((x0, y, self.ground(x0, y) + 9), (x0 + 40, y, self.ground(x0 + 40, y) + 9), sag=0.7)

    def poles(self):
        """Poles of 8 m, met by beams at 20 degrees."""
        for cx in np.arange(9, 0.75 * self.width, 20.0):
            cy = 0.9 * self.length
            height = (self.y - cy) / np.tan(np.radians(20))
            hit = (np.abs(self.x - cx) < 0.1 + self.beam) & (height > 0) & (height < 8)
            z = self.ground(cx, cy) + height[hit]
            self.add("pole", np.full(hit.sum(), cx), np.full(hit.sum(), cy), z + self.noise_about(hit.sum()))

    def bare_ground(self):
        seen = self.rng.random(len(self.x)) < self.energy
        x, y = self.x[seen], self.y[seen]
        self.add("ground", x, y, self.ground(x, y) + self.noise_about(len(x)))

    # --- what isn't ---

    def place(self, margin):
        return self.rng.uniform(margin, self.width - margin), self.rng.uniform(margin, self.length - margin)

    def birds(self):
        for _ in range(30):
            x, y = self.place(2)
            z = self.highest_near(x, y, 6) + self.rng.uniform(7, 40)
            self.add("bird", np.array([x]), np.array([y]), np.array([z]), real=False)
        for _ in range(2):
            x, y = self.place(15)
            away = self.rng.normal(0, 2.0, (60, 3))
            z = self.highest_near(x, y, 15) + 20
            self.add("flock", *np.add(away, [x, y, z]).T, real=False)

    def dust(self):
        """Two balls of 5,000 points within 3 m."""
        for _ in range(2):
            x, y = self.place(8)
            away = self.rng.normal(0, 1, (5000, 3))
            away *= 1.5 * self.rng.random((5000, 1)) ** (1 / 3) / np.linalg.norm(away, axis=1)[:, None]
            z = self.highest_near(x, y, 5) + self.rng.uniform(7, 20)
            self.add("dust", *np.add(away, [x, y, z]).T, real=False)

    def fog(self):
        x, y = self.place(22)
        radius = self.rng.uniform(10, 20)
        away = np.hypot(self.x - x, self.y - y)
        met = (away < radius) & (self.rng.random(len(away)) < 0.7 * np.exp(-((away / radius) ** 2)))
        base = self.highest_near(x, y, radius + 4) + 12
        z = base + self.rng.uniform(0, 5, met.sum())
        self.add("fog", self.x[met], self.y[met], z, real=False)

    def low_groups(self):
        for _ in range(8):
            x, y = self.rng.uniform(10, 0.75 * self.width), self.rng.uniform(10, self.length - 10)
            away = self.rng.normal(0, 0.3, (9, 3))
            near = self.ground(x + np.linspace(-8, 8, 17)[:, None], y + np.linspace(-8, 8, 17)).min()
            self.add("low", *np.add(away, [x, y, near - self.rng.uniform(4, 9)]).T, real=False)

    def cloud(self):
        self.water()
        self.roofs()
        self.trees()
        self.lines()
        self.poles()
        self.bare_ground()
        self.birds()
        self.dust()
        self.fog()
        self.low_groups()
        return np.round(np.concatenate(self.points), 3), np.array(self.kinds)


def labels_of(xyz):
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    columns["classification"] = np.ones(len(xyz), np.uint8)
    return run_stage(IsolatedClusters(ClusterParams(below=True)), columns).labels["classification"]


@pytest.fixture(scope="module")
def outcome():
    """Share of each kind that became low and high noise, by density."""
    found = {}
    for density in SIZE:
        tally = {}
        for seed in SEEDS:
            xyz, kind = Scene(seed, density).cloud()
            label = labels_of(xyz)
            for name in np.unique(kind):
                of_kind = label[kind == name]
                low, high, count = tally.get(name, (0, 0, 0))
                tally[name] = low + (of_kind == 7).sum(), high + (of_kind == 18).sum(), count + len(of_kind)
        found[density] = {name: (low / n, high / n) for name, (low, high, n) in tally.items()}
    return found


@pytest.mark.parametrize("density", list(SIZE))
@pytest.mark.parametrize("kind", ["bird", "flock", "dust", "fog"])
def test_clusters_floating_noise_is_found(outcome, density, kind):
    # Measured: all of it but one bird of 90 at 60 points/m2.
    low, high = outcome[density][kind]
    assert high >= 0.985
    assert low == 0.0


@pytest.mark.parametrize("density", list(SIZE))
def test_clusters_low_groups_are_found(outcome, density):
    # Measured: all of them.
    low, high = outcome[density]["low"]
    assert low >= 0.99
    assert high == 0.0


@pytest.mark.parametrize("density", list(SIZE))
@pytest.mark.parametrize(
    ("kind", "most"),
    # Measured: wires 0.7 % at 2 and 0.5 % at 10 points/m2, trees 0.02 % at 10; of all else nothing.
    [("ground", 0.0), ("island", 0.0), ("roof", 0.0), ("pole", 0.0), ("tree", 0.001), ("wire", 0.01)],
)
def test_clusters_real_points_are_kept(outcome, density, kind, most):
    assert sum(outcome[density][kind]) <= most


def test_clusters_dense_dust_is_what_a_neighbour_test_misses(outcome):
    xyz, kind = Scene(SEEDS[0], 10).cloud()
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    columns["classification"] = np.ones(len(xyz), np.uint8)
    plain = run_stage(StatisticalOutliers(OutlierParams(deviations=2.0)), columns).labels["classification"]
    assert (plain[kind == "dust"] == 18).mean() < 0.01
    assert outcome[10]["dust"][1] >= 0.99
