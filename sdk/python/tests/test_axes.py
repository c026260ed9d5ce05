"""Axes against SciPy's Rotation, which shares nothing with this package, from where each axis points and nothing else."""

import itertools
import math
import os
import random
import unittest

from perch_adapter import axes

# Where the source's x, y, z point, in our axes.
WORDS = {
    "forward": (1, 0, 0), "right": (0, 1, 0), "down": (0, 0, 1), "back": (-1, 0, 0), "left": (0, -1, 0), "up": (0, 0, -1),
    "north": (1, 0, 0), "east": (0, 1, 0), "south": (-1, 0, 0), "west": (0, -1, 0),
}
BODY = ["forward-right-down", "forward-left-up", "right-up-forward", "right-up-back", "right-forward-up"]
EARTH = ["north-east-down", "north-west-up", "east-north-up", "east-up-north", "east-up-south"]


@unittest.skipUnless(os.environ.get("PERCH_TEST_SCIPY"), "set PERCH_TEST_SCIPY to compare with SciPy")
class AgainstSciPy(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        import numpy
        from scipy.spatial.transform import Rotation

        cls.np, cls.Rotation = numpy, Rotation

    def setUp(self):
        self.random = random.Random(1)

    def rotation(self, q):
        return self.Rotation.from_quat((q[1], q[2], q[3], q[0]))

    def assertSameAttitude(self, q, rotation):
        self.assertLess((self.rotation(q).inv() * rotation).magnitude(), 1e-7)

    def assertNear(self, got, want):
        self.np.testing.assert_allclose(got, want, atol=1e-9)

    def angles(self):
        return [self.random.uniform(-math.pi, math.pi) for _ in range(3)]

    def test_euler(self):
        for _ in range(200):
            yaw, pitch, roll = self.angles()
            want = self.Rotation.from_euler("ZYX", (yaw, pitch / 2, roll))
            q = axes.from_euler(yaw, pitch / 2, roll)
            self.assertSameAttitude(q, want)
            self.assertNear(axes.to_euler(q), want.as_euler("ZYX"))

    def test_every_order_of_turns(self):
        for order in itertools.product("xyz", repeat=3):
            if order[0] == order[1] or order[1] == order[2]:
                continue
            order, angles = "".join(order), self.angles()
            self.assertSameAttitude(axes.intrinsic(order, *angles), self.Rotation.from_euler(order.upper(), angles))

    def test_vectors_turn_between_body_and_earth(self):
        for _ in range(50):
            q, v = axes.from_euler(*self.angles()), self.angles()
            self.assertNear(axes.to_earth(q, v), self.rotation(q).apply(v))
            self.assertNear(axes.to_body(q, v), self.rotation(q).inv().apply(v))

    def test_body_rates(self):
        h = 1e-5
        for _ in range(20):
            yaw, pitch, roll = self.angles()
            rates = self.angles()
            ends = [self.Rotation.from_euler("ZYX", [a + s * h / 2 * r for a, r in zip((yaw, pitch, roll), rates)]) for s in (-1, 1)]
            want = (ends[0].inv() * ends[1]).as_rotvec() / h
            self.np.testing.assert_allclose(axes.body_rates(*rates, pitch, roll), want, atol=1e-5)

    def test_specific_force(self):
        for _ in range(20):
            q, a = axes.from_euler(*self.angles()), self.angles()
            down = self.rotation(q).inv().apply((0, 0, 9.80665))
            self.assertNear(axes.kinematic_to_specific_force(a, q), self.np.array(a) - down)
            self.assertNear(axes.earth_kinematic_to_specific_force(a, q), self.rotation(q).inv().apply(a) - down)

    def test_force_at_a_point(self):
        force, rate, turning, offset = (self.np.array(self.angles()) for _ in range(4))
        cross = self.np.cross
        want = force + cross(turning, offset) + cross(rate, cross(rate, offset))
        self.assertNear(axes.force_at(force, rate, turning, offset), want)

    def test_conventions(self):
        np = self.np

        def basis(name):
            return np.array([WORDS[w] for w in name.split("-")], dtype=float).T

        for body, earth in itertools.product(BODY, EARTH):
            b, e = basis(body), basis(earth)
            if np.linalg.det(b) * np.linalg.det(e) < 0:
                with self.assertRaisesRegex(ValueError, "left-handed"):
                    axes.Convention(body, earth)
                continue
            c = axes.Convention(body, earth)
            v = self.angles()
            self.assertNear(c.vector(v), b @ v)
            self.assertNear(c.earth_vector(v), e @ v)
            # A turn's matrix, in the source's components, to ours: b S(w) b^T is the skew matrix of the turn in ours.
            x, y, z = v
            skew = b @ np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]]) @ b.T
            self.assertNear(c.angular_velocity(v), (skew[2, 1], skew[0, 2], skew[1, 0]))
            theirs = self.Rotation.from_euler("ZYX", self.angles())
            tx, ty, tz, tw = theirs.as_quat()
            ours = self.Rotation.from_matrix(e @ theirs.as_matrix() @ b.T)
            self.assertSameAttitude(c.attitude((tw, tx, ty, tz)), ours)
            self.assertSameAttitude(c.attitude_matrix(theirs.as_matrix().tolist()), ours)


class Refusals(unittest.TestCase):
    def test_what_is_no_convention(self):
        with self.assertRaisesRegex(ValueError, "forward-left-up"):
            axes.Convention("forward-left", "north-west-up")
        for order in ("zy", "zzx", "zya"):
            with self.assertRaises(ValueError):
                axes.intrinsic(order, 0, 0, 0)
        with self.assertRaisesRegex(ValueError, "no rotation"):
            axes.robot().attitude_matrix([[0, 0, 0]] * 3)
        with self.assertRaisesRegex(ValueError, "mirrors"):
            axes.robot().attitude_matrix([[1, 0, 0], [0, 1, 0], [0, 0, -1]])


if __name__ == "__main__":
    unittest.main()
