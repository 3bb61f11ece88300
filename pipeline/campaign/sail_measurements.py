"""Kind and area of a sail from its own dimensions. Pure functions; metres in, square metres out."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.campaign.settings import Sail, SailKind

# ERS 2021-2024, G.1.3 (as quoted in class rules): a sail set forward of the foremost mast is a spinnaker where the
# distance between half luff point and half leech point is 75 % of the foot or more.
ERS_SPINNAKER_HALF_WIDTH = 0.75
ERS_EDITION = "ERS 2021-2024, G.1.3"
# The rule before: RRS 50.4 of the older editions, a headsail's mid-girth is at most 50 % of its foot.
OLD_RRS_HEADSAIL_MID_GIRTH = 0.50
OLD_RRS_EDITION = "RRS 50.4 (older editions)"


@dataclass(frozen=True, slots=True)
class KindByRule:
    """What a rule makes of a sail forward of the mast. `kind` is None where the rule leaves it open."""

    kind: SailKind | None
    half_width_share: float
    rule: str


def kind_by_ers(half_width_m: float, foot_m: float) -> KindByRule:
    """Spinnaker where the half width is at least 75 % of the foot (equality counts), else headsail.

    Source: Equipment Rules of Sailing 2021-2024, G.1.3. Whether the half width was taken point to point (a
    spinnaker's) or as the shortest distance to the luff (a headsail's) is for the measurer: one sail can give two.
    """
    share = half_width_m / foot_m
    # A product of decimals such as 0.75 x 9.4 must not fail for its last bit.
    kind: SailKind = "spinnaker" if share >= ERS_SPINNAKER_HALF_WIDTH - 1e-12 else "headsail"
    return KindByRule(kind, share, ERS_EDITION)


def kind_by_old_rrs(mid_girth_m: float, foot_m: float) -> KindByRule:
    """Headsail where the mid-girth is at most 50 % of the foot; wider sails the old rule only says not to be headsails.

    Source: Racing Rules of Sailing, rule 50.4 of the older editions.
    """
    share = mid_girth_m / foot_m
    return KindByRule("headsail" if share <= OLD_RRS_HEADSAIL_MID_GIRTH + 1e-12 else None, share, OLD_RRS_EDITION)


def spinnaker_area_m2(foot_m: float, half_width_m: float, luff_m: float, leech_m: float) -> float:
    """SF (SL1 + SL2) / 4 + (SMG - SF / 2) (SL1 + SL2) / 3.

    Source: the multihull rule's spinnaker formula (see tests/published). At SMG = 0.75 SF it is SF (SL1 + SL2) / 3,
    and with equal luffs it is Simpson's rule on the widths foot, half width and 0.
    """
    both = luff_m + leech_m
    return foot_m * both / 4.0 + (half_width_m - foot_m / 2.0) * both / 3.0


def three_width_area_m2(luff_m: float, base_m: float, half_width_m: float) -> float:
    """Simpson's rule along the luff on the widths at the foot, at half height and 0 at the head."""
    return luff_m * (base_m + 4.0 * half_width_m) / 6.0


def mainsail_area_from_girths_m2(
    luff_m: float, foot_m: float, half_m: float, three_quarter_m: float, seven_eighths_m: float, head_m: float
) -> float:
    """P / 8 (2 E + 3 MGM + 1.5 MGU + MGT + 0.5 HB): the trapezoid rule on strips of 1/2, 1/4, 1/8 and 1/8 of the luff.

    Source: a handicap fleet's mainsail formula of 2018 (see tests/published). Low for a convex leech, as
    trapezoids must be.
    """
    return luff_m / 8.0 * (2.0 * foot_m + 3.0 * half_m + 1.5 * three_quarter_m + seven_eighths_m + 0.5 * head_m)


def mainsail_area_with_quarter_m2(
    luff_m: float,
    foot_m: float,
    quarter_m: float,
    half_m: float,
    three_quarter_m: float,
    seven_eighths_m: float,
    head_m: float,
) -> float:
    """P (HB + 2 MGT + 3 MGU + 4 MGM + 4 MGL + 2 E) / 16: the same with the quarter width as well.

    Source: a multihull class rule (see tests/published).
    """
    widths = head_m + 2.0 * seven_eighths_m + 3.0 * three_quarter_m + 4.0 * half_m + 4.0 * quarter_m + 2.0 * foot_m
    return luff_m * widths / 16.0


def sail_area_m2(sail: Sail) -> float | None:
    """The area given in `boat.toml`, else from dimensions; None where these do not suffice.

    Spinnakers from luff, leech (the luff where it is missing), foot and half width. Headsails from luff and luff
    perpendicular: with a half width by three widths on the perpendicular, without as a triangle. Otherwise three widths
    on the foot, which for a headsail whose foot is longer than its perpendicular is a little large.
    """
    return _area(sail)[0]


def area_from(sail: Sail) -> str | None:
    """Where `sail_area_m2` has the area from: `boat.toml`, or the dimensions it is computed from; None without."""
    return _area(sail)[1]


def _area(sail: Sail) -> tuple[float | None, str | None]:
    if sail.area_m2 is not None:
        return sail.area_m2, "boat.toml"
    luff, foot, half, perpendicular = sail.luff_m, sail.foot_m, sail.half_width_m, sail.perpendicular_m
    if luff is None:
        return None, None
    if sail.kind == "spinnaker":
        if foot is None or half is None:
            return None, None
        if sail.leech_m is None:
            return spinnaker_area_m2(foot, half, luff, luff), "luff (for the leech too), foot, half width"
        return spinnaker_area_m2(foot, half, luff, sail.leech_m), "luff, leech, foot, half width"
    if sail.kind == "headsail" and perpendicular is not None:
        if half is None:
            return luff * perpendicular / 2.0, "luff, perpendicular: a triangle"
        return three_width_area_m2(luff, perpendicular, half), "luff, perpendicular, half width"
    if foot is None or half is None:
        return None, None
    return three_width_area_m2(luff, foot, half), "luff, foot, half width"
