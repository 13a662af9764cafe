"""What a job throws away, item by item, what would cut it most, and when a bag that is used again pays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..errors import PlyflatError

#: Margins are told a third smaller. This program's choice.
MARGIN_SHARE = 1 / 3


class WasteError(PlyflatError, ValueError):
    """Masses, prices or uses that cannot be."""


@dataclass(frozen=True)
class Small:
    """Small things used up in one job.

    Attributes
    ----------
    cups, pairs : int
        Mixing cups, and pairs of gloves.
    cups_g, gloves_g, tools_g : float
    mask_sheet_g, mask_tape_g : float
        Paper or film that masks the hull, and the tape that holds it.
    wipes_g, solvent_g : float
        What the hull is cleaned with; solvent ends in the wipes and in the air.
    """

    cups: int
    pairs: int
    cups_g: float
    gloves_g: float
    tools_g: float
    mask_sheet_g: float = 0.0
    mask_tape_g: float = 0.0
    wipes_g: float = 0.0
    solvent_g: float = 0.0

    @property
    def total_g(self) -> float:
        """All of it, g."""
        surface = self.mask_sheet_g + self.mask_tape_g + self.wipes_g + self.solvent_g
        return self.cups_g + self.gloves_g + self.tools_g + surface


def small_things(
    *, batches: int, sessions: int, wet_s: float, people: int, gloves_s: float, cup_g: float, gloves_g: float, tools_g: float
) -> Small:
    """Count cups, gloves and tools.

    Parameters
    ----------
    batches : int
        A cup for each.
    sessions : int
        Tools are thrown away after each, and everyone begins it with fresh gloves.
    wet_s : float
        Time with wet resin, over all sessions.
    people : int
    gloves_s : float
        How long one pair is worn.
    cup_g, gloves_g, tools_g : float
        Mass of one cup, of one pair, and of the tools of one session.
    """
    if min(batches, sessions, people) < 0 or not (wet_s >= 0 and gloves_s > 0):
        raise WasteError(f"{batches} batches, {sessions} sessions, {people} people and {wet_s:g} s cannot be", do="Check them.")
    pairs = people * max(sessions, math.ceil(wet_s / gloves_s - 1e-9)) if sessions else 0
    return Small(batches, pairs, batches * cup_g, pairs * gloves_g, sessions * tools_g)


def with_surface(
    small: Small, *, mask_m2: float, mask_m: float, clean_m2: float, sheet_g_m2: float, tape_g_m: float, wipes_g_m2: float,
    solvent_g_m2: float,
) -> Small:
    """Add what masking and cleaning the hull use up.

    Parameters
    ----------
    small : Small
    mask_m2, mask_m : float
        Masked area, and how long its band is: tape holds it along both long edges.
    clean_m2 : float
    sheet_g_m2, tape_g_m, wipes_g_m2, solvent_g_m2 : float

    Raises
    ------
    WasteError
        An area, a length or a mass below nought.
    """
    if min(mask_m2, mask_m, clean_m2, sheet_g_m2, tape_g_m, wipes_g_m2, solvent_g_m2) < 0:
        raise WasteError("an area, a length or a mass of masking or cleaning is below nought", do="Check the job's [waste].")
    return replace(
        small, mask_sheet_g=mask_m2 * sheet_g_m2, mask_tape_g=2 * mask_m * tape_g_m, wipes_g=clean_m2 * wipes_g_m2,
        solvent_g=clean_m2 * solvent_g_m2,
    )  # fmt: skip


@dataclass(frozen=True)
class Cut:
    """One way to throw away less.

    Attributes
    ----------
    saves_g : float
        At most.
    item : str
    how : str
    """

    saves_g: float
    item: str
    how: str


@dataclass(frozen=True)
class Margin:
    """How far one layer of one bag reaches beyond the laminate, as far as waste goes.

    Attributes
    ----------
    item : str
        What it is: "breather".
    margin_mm : float
        The layer's own.
    edge_mm : float
        Length of the line that it is moved in from.
    g_m2 : float
    """

    item: str
    margin_mm: float
    edge_mm: float
    g_m2: float


def margin_saves_g(margin: Margin, *, share: float = MARGIN_SHARE) -> float:
    """Mass of a band that a smaller margin saves: its length along the middle by its width, g.

    Parameters
    ----------
    margin : Margin
    share : float
        By which the margin is made smaller.

    Notes
    -----
    Round a line bent outwards the band's middle is longer by 2 pi times how far out it lies (exact in the plane).
    """
    out = margin.margin_mm * (1 - share / 2)
    return (margin.edge_mm + 2 * math.pi * out) * margin.margin_mm * share * 1e-6 * margin.g_m2


def cuts_of(
    *,
    offcuts_g: dict[str, tuple[float, float]],
    layer_offcuts_g: dict[str, tuple[float, float]],
    margins: Sequence[Margin],
    single_use_g: dict[str, tuple[str, float]],
    bled_g: float,
    cups_loss_g: float,
    small: Small,
    batches_least: int,
) -> tuple[Cut, ...]:
    """What would cut the waste, the most first.

    Parameters
    ----------
    offcuts_g : dict of (float, float)
        By cloth: offcuts, and what of them no lay can save because of the pieces' total area or the bound of the lay; that
        can only be kept.
    layer_offcuts_g : dict of (float, float)
        The same of peel ply, films and breather.
    margins : sequence of Margin
    single_use_g : dict of (str, float)
        By material: its kind and mass.
    bled_g : float
        Pressed out into the breather.
    cups_loss_g : float
        Resin left in cups and rollers.
    small : Small
    batches_least : int
        Fewest batches that could be mixed.
    """
    found = [
        Cut(g - least, f"{name} offcuts", "search longer for a shorter lay, turn more freely, or buy another width")
        for name, (g, least) in offcuts_g.items()
    ]
    found += [
        Cut(g - least, f"{name} offcuts", "lay its pieces out tighter: search longer, turn them freely, or cut two jobs from one length")
        for name, (g, least) in layer_offcuts_g.items()
    ]
    beside = "keep what lies beside the pieces for the next job, or let them turn by 90 degrees where the material allows it"
    found += [Cut(least, f"{name} beside its pieces", beside) for name, (_, least) in {**offcuts_g, **layer_offcuts_g}.items()]
    for item, mm in dict.fromkeys((m.item, m.margin_mm) for m in margins):
        saves = sum(margin_saves_g(m) for m in margins if (m.item, m.margin_mm) == (item, mm))
        how = f"{mm * (1 - MARGIN_SHARE):.0f} mm instead of {mm:.0f}, where it still covers what lies below"
        found.append(Cut(saves, f"margin of {item}", how))
    hows = {
        "sealant tape": "a frame or a bag of silicone with its own seal, where the hull is flat and tight enough",
        "bag film": "a bag that is used again; what it costs is told with this list",
        "breather": "a bag with a knitted inside, or the same breather a second time where no resin reached it",
        "peel ply": "smaller margins; or none where nothing is bonded or painted on and the film may show",
        "release film": "a silicone bag lets go by itself",
    }
    for name, (kind, g) in single_use_g.items():
        found.append(Cut(g, name, hows.get(kind, "use it again, or leave it out")))
    found.append(Cut(bled_g, "resin bled", "wet out with less: weigh resin and cloth ply by ply"))
    found.append(Cut(0.5 * cups_loss_g, "resin left in cups and rollers", "scrape out, warm the last batch's resin, fewer cups"))
    spare = small.cups - max(batches_least, 0)
    if small.cups > 0 and spare > 0:
        found.append(Cut(small.cups_g * spare / small.cups, "cups", "cups that let set resin go, used again"))
    elif small.cups_g > 0:
        found.append(Cut(small.cups_g, "cups", "cups that let set resin go, used again"))
    return tuple(sorted((c for c in found if c.saves_g >= 0.5), key=lambda c: -c.saves_g))


@dataclass(frozen=True)
class Reuse:
    """A bag that is used again against films that are not.

    Attributes
    ----------
    price : float or None
        Of the reusable bag.
    saves : float or None
        Single-use material it stands in for, each time.
    uses_to_pay : int or None
        How often it must be used until it has paid; None where a price is missing or it saves nothing.
    uses_to_weigh_less : int or None
        How often until it has kept more out of the bin than it will put in itself.
    uses : int
        How often it lasts.
    """

    price: float | None
    saves: float | None
    uses_to_pay: int | None
    uses_to_weigh_less: int | None
    uses: int


def reuse_of(
    bag_m2: float, *, price_per_m2: float | None, weight_g_m2: float, uses: int, single_use_cost: float | None, single_use_g: float
) -> Reuse:
    """Say when a bag that is used again has paid.

    Parameters
    ----------
    bag_m2 : float
        Its size.
    price_per_m2 : float or None
    weight_g_m2 : float
    uses : int
    single_use_cost : float or None
        Of the film and release film that one job takes.
    single_use_g : float
        Mass of the same.

    Notes
    -----
    Price: n c > P. Mass: it ends in the bin once, so n g > w. Cleaning and its own sealant are not counted.
    """
    if not (bag_m2 > 0 and weight_g_m2 > 0 and uses >= 1):
        raise WasteError(f"a bag of {bag_m2:g} m², {weight_g_m2:g} g/m² and {uses} uses cannot be", do="Give numbers above zero.")
    price = None if price_per_m2 is None else price_per_m2 * bag_m2
    pays = None
    if price is not None and single_use_cost is not None and single_use_cost > 0:
        pays = _times(price, single_use_cost)
    weighs = _times(weight_g_m2 * bag_m2, single_use_g) if single_use_g > 0 else None
    return Reuse(price, single_use_cost, pays, weighs, uses)


def _times(whole: float, each: float) -> int:
    return max(math.ceil(whole / each - 1e-9), 1)


@dataclass(frozen=True)
class OrderLine:
    """One line of the order.

    Attributes
    ----------
    item : str
    unit : str
    need, in_shop, buy, left : float
        Taken by the job; there before; to buy in whole packs; there afterwards.
    packs : str
        What to buy, in words.
    cost : float or None
        Of what the job takes.
    cost_to_buy : float or None
        Of the whole packs.
    """

    item: str
    unit: str
    need: float
    in_shop: float
    buy: float
    left: float
    packs: str
    cost: float | None
    cost_to_buy: float | None


def order_roll(
    item: str,
    *,
    lengths_m: Sequence[float],
    roll_m: float,
    rolls_in_shop: int,
    price_per_m: float | None,
    begun_m: float = 0.0,
    off_begun_m: float = 0.0,
) -> OrderLine:
    """Order a material by the roll.

    Parameters
    ----------
    item : str
    lengths_m : sequence of float
        Length cut off each full roll that is cut into; whole rolls are bought for those beyond the shop's.
    roll_m : float
        Of a full roll.
    rolls_in_shop : int
        Full ones.
    price_per_m : float or None
    begun_m, off_begun_m : float
        Left on all rolls begun before, and cut off them.
    """
    if not (0 < roll_m < math.inf and rolls_in_shop >= 0):
        raise WasteError(f"{item}: rolls of {roll_m:g} m, {rolls_in_shop} in the shop, cannot be", do="Check both.")
    if not 0 <= off_begun_m <= begun_m + 1e-6:
        raise WasteError(f"{item}: {off_begun_m:g} m cut off rolls begun with {begun_m:g} m left cannot be", do="Check both.")
    need = sum(lengths_m) + off_begun_m
    rolls = max(len(lengths_m) - rolls_in_shop, 0)
    stock, buy = rolls_in_shop * roll_m + begun_m, rolls * roll_m
    words = f"{rolls} roll{'s' * (rolls != 1)} of {roll_m:g} m" if rolls else "nothing"
    cost = None if price_per_m is None else need * price_per_m
    return OrderLine(item, "m", need, stock, buy, stock + buy - need, words, cost, None if price_per_m is None else buy * price_per_m)


def order_mass(
    item: str, *, need_g: float, high_g: float, in_shop_g: float | None, price_per_kg: float | None
) -> OrderLine:
    """Order by mass, enough for the high end of what may be needed.

    Parameters
    ----------
    item : str
    need_g, high_g : float
        Usual and high.
    in_shop_g : float or None
        None where the job does not say; then all of it is bought.
    price_per_kg : float or None
    """
    if not 0 <= need_g <= high_g:
        raise WasteError(f"{item}: {need_g:g} to {high_g:g} g cannot be", do="The high end is not below the usual amount.")
    stock = in_shop_g or 0.0
    buy = max(high_g - stock, 0.0)
    words = f"{buy:.0f} g or more" if buy > 0 else "nothing"
    cost = None if price_per_kg is None else need_g / 1000 * price_per_kg
    return OrderLine(
        item, "g", need_g, stock, buy, stock + buy - need_g, words, cost, None if price_per_kg is None else buy / 1000 * price_per_kg
    )
