"""Converts from the axes that sources use into ours: body x forward, y right, z down; earth x north, y east, z down
(ISO 1151-1). Never write minus signs by hand: name the source's Convention.

Vectors are (x, y, z); a quaternion is (w, x, y, z) and turns body axes into earth axes. A convention is a pair of
signed permutations M that take a source's components to ours. A vector maps by M; an angular velocity, being axial, by
det(M) M; an attitude, as the matrix R from body to earth, by M_earth R M_body^T. A left-handed source has det(M) = -1:
its rotations turn the other way. The same names, in Go's spelling, are in package sdk/axes.
"""

import math

GRAVITY = 9.80665  # standard gravity, m/s^2 (NIST SP 811)

_IDENTITY = ((1, 0, 0), (0, 1, 0), (0, 0, 1))

# Rows: our x, y, z (or north, east, down); columns: the source's x, y, z.
_BODY = {
    "forward-right-down": _IDENTITY,  # ours; ISO 1151-1
    "forward-left-up": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),  # road vehicles, ISO 8855; robots
    "right-up-forward": ((0, 0, 1), (1, 0, 0), (0, -1, 0)),  # graphics, left-handed
    "right-up-back": ((0, 0, -1), (1, 0, 0), (0, -1, 0)),  # graphics, right-handed
    "right-forward-up": ((0, 1, 0), (1, 0, 0), (0, 0, -1)),  # right-handed
}
_EARTH = {
    "north-east-down": _IDENTITY,  # ours; ISO 1151-1
    "north-west-up": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),  # right-handed
    "east-north-up": ((0, 1, 0), (1, 0, 0), (0, 0, -1)),  # right-handed
    "east-up-north": ((0, 0, 1), (1, 0, 0), (0, -1, 0)),  # left-handed
    "east-up-south": ((0, 0, -1), (1, 0, 0), (0, -1, 0)),  # right-handed
}


def from_euler(yaw, pitch, roll):
    """The attitude of yaw, pitch and roll in rad, intrinsic z-y-x: yaw nose right, then pitch nose up, then roll right
    side down (ISO 1151-1). Angles of a source with other axes or another order go through intrinsic and a
    Convention: never by signs on angles."""
    sy, cy = math.sin(yaw / 2), math.cos(yaw / 2)
    sp, cp = math.sin(pitch / 2), math.cos(pitch / 2)
    sr, cr = math.sin(roll / 2), math.cos(roll / 2)
    return (
        cr * cp * cy + sr * sp * sy,
        sr * cp * cy - cr * sp * sy,
        cr * sp * cy + sr * cp * sy,
        cr * cp * sy - sr * sp * cy,
    )


def to_euler(q):
    """(yaw, pitch, roll) in rad of an attitude: yaw and roll within pi, pitch within half of it. Near the vertical only
    one combination of yaw and roll is defined."""
    w, x, y, z = q
    return (
        math.atan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z)),
        math.asin(min(max(2 * (w * y - x * z), -1.0), 1.0)),
        math.atan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y)),
    )


def intrinsic(order, first, second, third):
    """The attitude of three turns, each about an axis of the body as the turns before it left it. order names the axes,
    such as "zyx" or "yxz"; angles are in rad, in the same order, in the source's own axes and by its own hand:
    Convention.attitude takes the result to ours."""
    if len(order) != 3 or order[0] == order[1] or order[1] == order[2]:
        raise ValueError("order of turns %r: three axes such as zyx, none twice in a row" % order)
    q = (1.0, 0.0, 0.0, 0.0)
    for axis, angle in zip(order, (first, second, third)):
        if axis not in "xyz":
            raise ValueError("order of turns %r: %r is none of x, y, z" % (order, axis))
        turn = [math.cos(angle / 2), 0.0, 0.0, 0.0]
        turn["xyz".index(axis) + 1] = math.sin(angle / 2)
        q = _product(q, turn)
    return q


def to_earth(attitude, body):
    """Turns a vector from body axes into earth axes."""
    return _rotate(attitude, body)


def to_body(attitude, earth):
    """Turns a vector from earth axes into body axes."""
    return _rotate(conjugate(attitude), earth)


def conjugate(q):
    """The opposite rotation: earth into body for an attitude."""
    return (q[0], -q[1], -q[2], -q[3])


def body_rates(yaw_rate, pitch_rate, roll_rate, pitch, roll):
    """(p, q, r) in rad/s from the rates of yaw, pitch and roll in rad/s, at a pitch and roll in rad: what to do with a
    source whose "yaw rate" is the change of its heading (ISO 1151-1; p = roll' - yaw' sin(pitch) and so on)."""
    sp, cp = math.sin(pitch), math.cos(pitch)
    sr, cr = math.sin(roll), math.cos(roll)
    return (
        roll_rate - yaw_rate * sp,
        pitch_rate * cr + yaw_rate * sr * cp,
        -pitch_rate * sr + yaw_rate * cr * cp,
    )


def kinematic_to_specific_force(acceleration, attitude):
    """The specific force, body axes, of an acceleration without gravity, the change of velocity, in body axes, m/s^2:
    f = a - R^T g. An accelerometer, and a source that says so, gives specific force already: at rest and level that
    is (0, 0, -9.80665)."""
    g = to_body(attitude, (0.0, 0.0, GRAVITY))
    return tuple(a - b for a, b in zip(acceleration, g))


def earth_kinematic_to_specific_force(acceleration, attitude):
    """The same from an acceleration in earth axes: f = R^T (a - g)."""
    return to_body(attitude, (acceleration[0], acceleration[1], acceleration[2] - GRAVITY))


def load_factor_to_specific_force(nz):
    """f_z in m/s^2 from the load factor n_z of a cockpit instrument, which is +1 at rest and grows when the occupant is
    pressed into the seat."""
    return -GRAVITY * nz


def force_at(force, rate, angular_acceleration, offset):
    """The specific force at a point offset from the one where force was measured, all in body axes: offset in m, rate in
    rad/s, angular_acceleration in rad/s^2. f + w' x r + w x (w x r), the acceleration of a point of a rigid body."""
    turned = _cross(angular_acceleration, offset)
    inward = _cross(rate, _cross(rate, offset))
    return tuple(f + a + b for f, a, b in zip(force, turned, inward))


class Convention:
    """Converts from one source's axes, named as "forward-left-up" for the body and "north-west-up" for the earth. Both
    must be of one handedness: otherwise no quaternion and no rotation matrix can say the attitude."""

    def __init__(self, body, earth):
        if body not in _BODY:
            raise ValueError("axes of the body %r: give one of %s" % (body, ", ".join(_BODY)))
        if earth not in _EARTH:
            raise ValueError("axes of the earth %r: give one of %s" % (earth, ", ".join(_EARTH)))
        self._body, self._earth = _BODY[body], _EARTH[earth]
        self._turns = _determinant(self._body)
        if self._turns != _determinant(self._earth):
            raise ValueError("axes %s for the body and %s for the earth: one is left-handed, the other right-handed" % (body, earth))
        self._between = _from_matrix(_times(self._earth, _transposed(self._body)))

    def vector(self, v):
        """Takes a vector in the source's body axes to ours: velocity, acceleration, specific force."""
        return _apply(self._body, v)

    def earth_vector(self, v):
        """Takes a vector in the source's earth axes to ours: position, velocity, acceleration."""
        return _apply(self._earth, v)

    def angular_velocity(self, w):
        """Takes an angular velocity in the source's body axes to p, q, r. It is axial: a left-handed source counts turns
        by the left hand."""
        return tuple(self._turns * c for c in _apply(self._body, w))

    def attitude(self, q):
        """Takes the source's quaternion (w, x, y, z), which turns its body axes into its earth axes, to ours. Where the
        source's turns earth into body, pass its conjugate."""
        # M_e R M_b^T = (M_e R M_e^T)(M_e M_b^T); the first factor is R's turn about the mapped axis.
        axis = _apply(self._earth, q[1:])
        return _product((q[0],) + tuple(self._turns * c for c in axis), self._between)

    def attitude_matrix(self, rows):
        """attitude for a source that gives the matrix from its body axes to its earth axes, by rows. A matrix that is no
        rotation, within a hundredth, is a ValueError: often it is scaled, or still zero."""
        product = _times(rows, _transposed(rows))
        for i in range(3):
            for j in range(3):
                if not abs(product[i][j] - _IDENTITY[i][j]) < 0.01:
                    raise ValueError("the attitude matrix is no rotation: row %d times row %d is %.3g, not %d"
                                     % (i + 1, j + 1, product[i][j], _IDENTITY[i][j]))
        if _determinant(rows) < 0:
            raise ValueError("the attitude matrix mirrors: its axes are not all those of one handedness")
        q = _from_matrix(rows)
        n = math.sqrt(sum(c * c for c in q))
        return self.attitude(tuple(c / n for c in q))


def road_vehicle():
    """ISO 8855: body x forward, y left, z up; earth north, west, up."""
    return Convention("forward-left-up", "north-west-up")


def robot():
    """Body x forward, y left, z up; earth east, north, up."""
    return Convention("forward-left-up", "east-north-up")


def graphics_left_handed():
    """Body x right, y up, z forward; earth x east, y up, z north."""
    return Convention("right-up-forward", "east-up-north")


def graphics_right_handed():
    """Body x right, y up, z backward; earth x east, y up, z south."""
    return Convention("right-up-back", "east-up-south")


def _product(a, b):
    return (
        a[0] * b[0] - a[1] * b[1] - a[2] * b[2] - a[3] * b[3],
        a[0] * b[1] + a[1] * b[0] + a[2] * b[3] - a[3] * b[2],
        a[0] * b[2] - a[1] * b[3] + a[2] * b[0] + a[3] * b[1],
        a[0] * b[3] + a[1] * b[2] - a[2] * b[1] + a[3] * b[0],
    )


def _rotate(q, v):
    return _product(_product(q, (0.0,) + tuple(v)), conjugate(q))[1:]


def _cross(a, b):
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def _apply(m, v):
    return tuple(row[0] * v[0] + row[1] * v[1] + row[2] * v[2] for row in m)


def _determinant(m):
    x = _cross(m[1], m[2])
    return m[0][0] * x[0] + m[0][1] * x[1] + m[0][2] * x[2]


def _transposed(m):
    return tuple(zip(*m))


def _times(a, b):
    return tuple(tuple(sum(x * y for x, y in zip(row, column)) for column in zip(*b)) for row in a)


def _from_matrix(m):
    """The quaternion of a rotation matrix, w >= 0, by its largest component, so that no small number is divided by
    (S. W. Shepperd, Quaternion from rotation matrix, Journal of Guidance and Control 1, 1978)."""
    trace = m[0][0] + m[1][1] + m[2][2]
    squares = (trace, m[0][0], m[1][1], m[2][2])
    largest = squares.index(max(squares))
    if largest == 0:
        w = math.sqrt(1 + trace) / 2
        q = (w, (m[2][1] - m[1][2]) / (4 * w), (m[0][2] - m[2][0]) / (4 * w), (m[1][0] - m[0][1]) / (4 * w))
    else:
        i = largest - 1
        j, k = (i + 1) % 3, (i + 2) % 3
        c = math.sqrt(1 + m[i][i] - m[j][j] - m[k][k]) / 2
        q = [(m[k][j] - m[j][k]) / (4 * c), 0.0, 0.0, 0.0]
        q[1 + i] = c
        q[1 + j] = (m[j][i] + m[i][j]) / (4 * c)
        q[1 + k] = (m[k][i] + m[i][k]) / (4 * c)
    return tuple(q) if q[0] >= 0 else tuple(-c for c in q)
