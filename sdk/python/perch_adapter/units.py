"""Converts what sources give into SI, and back. Each function names the unit that is not SI; factors are exact by
definition, apart from those that hold pi.

Sources: the SI Brochure (BIPM, 9th edition, table 8) for degree, knot and nautical mile; NIST Special Publication 811
(2008), appendix B.8, for foot, mile and standard gravity. The same names, in Go's spelling, are in package sdk/units.
"""

import math

DEGREE = math.pi / 180  # rad
FOOT = 0.3048  # m, the international foot
MILE = 1609.344  # m, the international mile: 5280 ft
NAUTICAL_MILE = 1852.0  # m
KNOT = 1852.0 / 3600  # m/s
MILE_PER_HOUR = 0.44704  # m/s
STANDARD_GRAVITY = 9.80665  # m/s^2
RPM = 2 * math.pi / 60  # rad/s


def from_degrees(deg):
    """rad. A heading of 0 to 360 degrees needs no wrapping: attitudes are quaternions."""
    return deg * DEGREE


def to_degrees(rad):
    """Degrees from rad."""
    return rad / DEGREE


def from_degrees_per_second(deg_per_second):
    """rad/s."""
    return deg_per_second * DEGREE


def to_degrees_per_second(rad_per_second):
    """deg/s from rad/s."""
    return rad_per_second / DEGREE


def from_feet(ft):
    """m."""
    return ft * FOOT


def to_feet(m):
    """ft from m."""
    return m / FOOT


def from_miles(mi):
    """m from international miles."""
    return mi * MILE


def from_nautical_miles(nmi):
    """m."""
    return nmi * NAUTICAL_MILE


def from_kilometres(km):
    """m."""
    return km * 1000


def from_millimetres(mm):
    """m."""
    return mm / 1000


def from_knots(kn):
    """m/s."""
    return kn * 1852 / 3600


def to_knots(metres_per_second):
    """kn from m/s."""
    return metres_per_second * 3600 / 1852


def from_feet_per_second(ft_per_second):
    """m/s."""
    return ft_per_second * FOOT


def from_feet_per_minute(ft_per_minute):
    """m/s. A rate of climb is positive up: velocity_d_m_s is its negative."""
    return ft_per_minute * FOOT / 60


def from_kilometres_per_hour(km_per_hour):
    """m/s."""
    return km_per_hour / 3.6


def to_kilometres_per_hour(metres_per_second):
    """km/h from m/s."""
    return metres_per_second * 3.6


def from_miles_per_hour(mi_per_hour):
    """m/s."""
    return mi_per_hour * MILE_PER_HOUR


def from_centimetres_per_second(cm_per_second):
    """m/s."""
    return cm_per_second / 100


def from_feet_per_second_squared(ft_per_second2):
    """m/s^2."""
    return ft_per_second2 * FOOT


def from_standard_gravity(g):
    """m/s^2 from multiples of standard gravity."""
    return g * STANDARD_GRAVITY


def to_standard_gravity(metres_per_second2):
    """Multiples of standard gravity from m/s^2."""
    return metres_per_second2 / STANDARD_GRAVITY


def from_rpm(rpm):
    """rad/s from revolutions per minute."""
    return rpm * RPM


def to_rpm(rad_per_second):
    """Revolutions per minute, the unit of engine_rpm and rotor_rpm, from rad/s."""
    return rad_per_second / RPM


def from_hertz_to_rpm(hz):
    """Revolutions per minute from revolutions per second."""
    return hz * 60


def from_percent(percent):
    """A ratio, 1 for 100 %."""
    return percent / 100
