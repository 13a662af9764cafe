"""Time in the pot and on the hull: pot life by temperature and mass, batches, and the order of the day.

A pot of resin warms itself, a thin layer does not. The pot life of a data sheet is that of one mass. For less it follows
from a heat balance of the pot, whose figures are from memory and stated below. For more that balance is too kind: 100 g
already keep nearly all their heat in it, while a published report tells of a gallon that sets in about 5 minutes. A
cautious rule goes before it there.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import PlyflatError

R_J_MOL_K = 8.314462618
#: kJ/mol; usual for epoxy and amine, from memory: low, usual, high. The usual one halves the time for each 10 °C.
ACTIVATION_KJ_MOL = (45.0, 52.95, 65.0)
#: K; warming by the whole reaction without loss of heat (400 kJ/kg over 1.8 kJ/(kg K)), and the share of it until the
#: pot life ends. From memory.
ADIABATIC_K = 220.0
SHARE_AT_POT_LIFE = 0.3
#: s; time constant of cooling of 100 g in a cup (1.8 kJ/(kg K), 10 W/(m2 K) over 118 cm2). It goes with the cube root of
#: the mass. Derived from figures from memory.
COOLING_100_G_S = 1525.0
#: Pot life of more than the stated mass goes at best with the mass to the power of minus this: 100 g at 30 min make 4.2 kg
#: (a gallon) at 5 min. This program's choice, after a published safety page.
LARGE_POT_POWER = 0.5
_STEPS = 200


class TimeError(PlyflatError, ValueError):
    """Times, temperatures or speeds that cannot be: check them against the data sheet."""


def _kelvin(c: float) -> float:
    if not -60.0 <= c <= 400.0:
        raise TimeError(f"{c:g} degC is outside -60 to 400 degC", do="Check the temperature and its unit.")
    return c + 273.15


def activation_kj_mol(points: Sequence[tuple[float, float]]) -> float:
    """Activation energy from times at temperatures, kJ/mol.

    Parameters
    ----------
    points : sequence of (s, °C)
        Two or more; by least squares of ln t over 1/T.

    Raises
    ------
    TimeError
        Fewer than two temperatures, or times that do not shorten with warmth.

    References
    ----------
    Arrhenius: ln t = ln t0 + E / (R T).
    """
    if len(points) < 2 or any(t <= 0 or not math.isfinite(t) for t, _ in points):
        raise TimeError("two times above zero at two temperatures are needed", do="Look for a second one in the data sheet.")
    x = [1.0 / _kelvin(c) for _, c in points]
    y = [math.log(t) for t, _ in points]
    mx, my = sum(x) / len(x), sum(y) / len(y)
    across = sum((a - mx) ** 2 for a in x)
    slope = sum((a - mx) * (b - my) for a, b in zip(x, y)) / across if across > 0 else 0.0
    if not slope > 0:
        said = ", ".join(f"{t / 60:g} min at {c:g} degC" for t, c in points)
        raise TimeError(f"{said}: the time does not shorten with warmth", do="Check which time belongs to which temperature.")
    return slope * R_J_MOL_K / 1000.0


def ten_degree_kj_mol(temperature_c: float) -> float:
    """Activation energy that halves a time from 5 °C under to 5 °C over a temperature, kJ/mol: the ten-degree rule.

    Parameters
    ----------
    temperature_c : float
    """
    return activation_kj_mol([(2.0, temperature_c - 5.0), (1.0, temperature_c + 5.0)])


@dataclass(frozen=True)
class Speed:
    """How a time changes with temperature.

    Attributes
    ----------
    at_s, at_c : float
        One time and its temperature.
    kj_mol : float
    basis : str
        Where it comes from, with its mark.
    """

    at_s: float
    at_c: float
    kj_mol: float
    basis: str

    def at(self, temperature_c: float) -> float:
        """Return the time at another temperature, s."""
        bend = self.kj_mol * 1000.0 / R_J_MOL_K
        return self.at_s * math.exp(bend * (1 / _kelvin(temperature_c) - 1 / _kelvin(self.at_c)))


def speed_of(points: Sequence[tuple[float, float]], *, kj_mol: float | None = None) -> Speed:
    """Return how a time changes with temperature, from what a data sheet says.

    Parameters
    ----------
    points : sequence of (s, °C)
        From two on they tell the activation energy themselves.
    kj_mol : float, optional
        For a single point; the ten-degree rule if left out.

    Raises
    ------
    TimeError
        No point, or times that do not shorten with warmth.
    """
    if not points:
        raise TimeError("no time is stated", do="State one from the data sheet, such as 30 min at 25 degC.")
    if len(points) > 1:
        kj = activation_kj_mol(points)
        mean_x = sum(1 / _kelvin(c) for _, c in points) / len(points)
        mean_y = sum(math.log(t) for t, _ in points) / len(points)
        return Speed(math.exp(mean_y), 1 / mean_x - 273.15, kj, "derived: Arrhenius through the job's times")
    t, c = points[0]
    if not 0 < t < math.inf:
        raise TimeError(f"a time of {t:g} s is not above zero", do="Check it.")
    if kj_mol is not None:
        return Speed(t, c, kj_mol, "derived: the job's time, its change with warmth taken from the pot life")
    return Speed(t, c, ten_degree_kj_mol(c), "common practice: half the time for each 10 degC more")


def _until(rate_1_s: float, kj_mol: float, air_c: float, mass_g: float) -> tuple[float, float]:
    """Time until the pot life ends, s, and the warmest it gets till then, °C.

    With x the share of the reaction until then, r its rate and th the warming over the air:
    dx/dt = r(T), dth/dt = H dx/dt - th/tau. Steps are in x, within which r is held, so th moves exactly.
    """
    heat = ADIABATIC_K * SHARE_AT_POT_LIFE
    tau = COOLING_100_G_S * (mass_g / 100.0) ** (1 / 3)
    bend, base = kj_mol * 1000.0 / R_J_MOL_K, 1 / _kelvin(air_c)
    time = warm = 0.0
    step = 1.0 / _STEPS
    for _ in range(_STEPS):
        rate = rate_1_s * math.exp(bend * (base - 1 / (air_c + 273.15 + warm)))
        seconds = step / rate
        ends = heat * tau * rate
        middle = ends + (warm - ends) * math.exp(-seconds / 2 / tau)
        # The rate of the step's middle: second order in the step.
        rate = rate_1_s * math.exp(bend * (base - 1 / (air_c + 273.15 + middle)))
        seconds = step / rate
        ends = heat * tau * rate
        warm = ends + (warm - ends) * math.exp(-seconds / tau)
        time += seconds
    return time, air_c + warm


@dataclass(frozen=True)
class PotLife:
    """Pot life of a resin by temperature and mass.

    Attributes
    ----------
    speed : Speed
        At the mass of the data sheet.
    mass_g : float
        That mass.
    """

    speed: Speed
    mass_g: float

    def __post_init__(self) -> None:
        """Refuse a mass that cannot be."""
        if not 0 < self.mass_g < 1e6:
            raise TimeError(f"a pot of {self.mass_g:g} g tells no pot life", do="Give the data sheet's mass, often 100 g.")

    def at(self, temperature_c: float, mass_g: float | None = None) -> float:
        """Return the pot life at a temperature and a mass, s.

        Parameters
        ----------
        temperature_c : float
            Of the resin and the air.
        mass_g : float, optional
            The data sheet's mass if left out.
        """
        stated = self.speed.at(temperature_c)
        if mass_g is None:
            return stated
        return self._pot(temperature_c, mass_g)[0]

    def warmest_c(self, temperature_c: float, mass_g: float) -> float:
        """Return how warm the pot is when its life ends by the heat balance, °C. It goes on warming after that.

        Parameters
        ----------
        temperature_c, mass_g : float
        """
        return self._pot(temperature_c, mass_g)[1]

    def _pot(self, temperature_c: float, mass_g: float) -> tuple[float, float]:
        if not 0 < mass_g < 1e6:
            raise TimeError(f"a batch of {mass_g:g} g cannot be", do="Give a mass above zero.")
        stated, kj = self.speed.at(temperature_c), self.speed.kj_mol
        seconds, warmest = _until(_rate(stated, kj, temperature_c, self.mass_g), kj, temperature_c, mass_g)
        return min(seconds, stated * (self.mass_g / mass_g) ** LARGE_POT_POWER) if mass_g > self.mass_g else seconds, warmest


@functools.lru_cache(maxsize=256)
def _rate(stated_s: float, kj_mol: float, air_c: float, mass_g: float) -> float:
    """The rate of reaction at the air's temperature that ends a mass's pot life at the stated time, 1/s."""
    low, high = 1e-3 / stated_s, 1.0 / stated_s
    for _ in range(60):
        rate = math.sqrt(low * high)
        low, high = (rate, high) if _until(rate, kj_mol, air_c, mass_g)[0] > stated_s else (low, rate)
    return math.sqrt(low * high)


@dataclass(frozen=True)
class Batch:
    """One mix.

    Attributes
    ----------
    number : int
    start_s : float
        When it is weighed and stirred, from the first mix.
    mass_g : float
    wets : tuple of (str, float)
        Plies it goes on, and the share of each ply's resin that comes from it.
    pot_life_s, spread_s : float
        How long it may stand in the pot; how long it takes to spread.
    warmest_c : float
        Of the pot at the end of its life.
    """

    number: int
    start_s: float
    mass_g: float
    wets: tuple[tuple[str, float], ...]
    pot_life_s: float
    spread_s: float
    warmest_c: float


def largest_batch_g(pot: PotLife, *, temperature_c: float, g_per_s: float, pot_share: float) -> float:
    """Return the largest mass that is spread within a share of its own pot life, g.

    Parameters
    ----------
    pot : PotLife
    temperature_c : float
    g_per_s : float
        How fast mixed resin is spread.
    pot_share : float
    """
    if not (0 < g_per_s < math.inf and 0 < pot_share <= 1):
        raise TimeError(f"spreading {g_per_s:g} g/s within {pot_share:g} of the pot life cannot be", do="Give numbers above zero.")
    low, high = 1e-3, 1e5
    for _ in range(40):
        middle = math.sqrt(low * high)
        fits = middle / g_per_s <= pot_share * pot.at(temperature_c, middle)
        low, high = (middle, high) if fits else (low, middle)
    return low


def batches_of(
    plies_g: Sequence[tuple[str, float]], pot: PotLife, *, temperature_c: float, seconds: float, pot_share: float, mix_s: float = 0.0
) -> tuple[Batch, ...]:
    """Share the resin of a region into equal batches, each spread within a share of its pot life.

    Parameters
    ----------
    plies_g : sequence of (str, float)
        Mixed resin for each ply, g, in the order of laying.
    pot : PotLife
    temperature_c : float
    seconds : float
        Time to wet out all of them.
    pot_share : float
    mix_s : float
        Weighing and stirring one batch; each is mixed when the last one is spread.
    """
    total = sum(g for _, g in plies_g)
    if not (total > 0 and 0 < seconds < math.inf):
        raise TimeError(f"{total:g} g of resin in {seconds:g} s cannot be shared out", do="Give masses and a time above zero.")
    most = largest_batch_g(pot, temperature_c=temperature_c, g_per_s=total / seconds, pot_share=pot_share)
    count = max(math.ceil(total / most - 1e-9), 1)
    size = total / count
    life, warm = pot._pot(temperature_c, size)
    return tuple(
        Batch(k + 1, k * (mix_s + seconds / count), size, _wetted(plies_g, k * size, (k + 1) * size), life, seconds / count, warm)
        for k in range(count)
    )


def _wetted(plies_g: Sequence[tuple[str, float]], start_g: float, end_g: float) -> tuple[tuple[str, float], ...]:
    """Plies that the resin between two marks of the whole goes on."""
    found, at = [], 0.0
    for name, g in plies_g:
        share = (min(at + g, end_g) - max(at, start_g)) / g if g > 0 else 0.0
        if share > 1e-9:
            found.append((name, share))
        at += g
    return tuple(found)


@dataclass(frozen=True)
class Step:
    """One line of the day.

    Attributes
    ----------
    what : str
    start_s, end_s : float
        From the first mix.
    """

    what: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Work:
    """What must be done on one region, with its speeds.

    Attributes
    ----------
    plies_m2 : tuple of (str, float)
    layers_m2 : tuple of (str, float)
        Bag layers that are laid as sheets.
    tape_mm : float
    wet_out_m2_min, stack_m2_min, tape_mm_min : float
    mix_s, leak_hunt_s, pull_s : float
    closing : str
        How the film is closed on the tape, in words.
    """

    plies_m2: tuple[tuple[str, float], ...]
    layers_m2: tuple[tuple[str, float], ...]
    tape_mm: float
    wet_out_m2_min: float
    stack_m2_min: float
    tape_mm_min: float
    mix_s: float
    leak_hunt_s: float
    pull_s: float
    closing: str = "close the film on the tape"

    @property
    def wet_s(self) -> float:
        """Time to wet all plies out, mixing not counted, s."""
        return 60.0 * sum(a for _, a in self.plies_m2) / self.wet_out_m2_min

    @property
    def close_s(self) -> float:
        """Time from the last ply to full vacuum, s."""
        layers = sum(a for _, a in self.layers_m2) / self.stack_m2_min
        return 60.0 * (layers + self.tape_mm / self.tape_mm_min) + self.pull_s + self.leak_hunt_s


def steps_of(work: Work, batches: int) -> tuple[Step, ...]:
    """The day of one region from the first mix on.

    Parameters
    ----------
    work : Work
    batches : int
        Each is weighed and stirred before it is spread.
    """
    rows = [("mix the first batch", work.mix_s)]
    whole = sum(a for _, a in work.plies_m2)
    later = (batches - 1) * work.mix_s
    for name, area in work.plies_m2:
        share = area / whole if whole > 0 else 0.0
        rows.append((f"lay and wet out {name}", share * (work.wet_s + later)))
    for name, area in work.layers_m2:
        rows.append((f"lay {name}", 60.0 * area / work.stack_m2_min))
    if work.tape_mm > 0:
        rows.append((work.closing, 60.0 * work.tape_mm / work.tape_mm_min))
        rows.append(("pull", work.pull_s))
        rows.append(("kept for hunting leaks", work.leak_hunt_s))
    steps, at = [], 0.0
    for what, seconds in rows:
        steps.append(Step(what, at, at + seconds))
        at += seconds
    return tuple(steps)


@dataclass(frozen=True)
class FilletDay:
    """When a fillet is run, and when its putty has gelled.

    Attributes
    ----------
    start_min : float
        Minutes after midnight at which its putty is mixed.
    run_s : float
        Mixing, running and wiping it.
    gels_s : float or None
        From its mixing until it has gelled; None where nothing is stated that tells it.
    wet : bool
        Cloth goes on while it is wet; else once it has gelled.
    basis : str
        What its time to gel stands on, with its mark.
    left_s : float or None
        Under wet cloth: what is left of that time when leaks are found; below nought where the putty sets before.
    """

    start_min: float
    run_s: float
    gels_s: float | None
    wet: bool
    basis: str
    left_s: float | None = None

    @property
    def cloth_min(self) -> float:
        """Minutes after midnight from which cloth may be mixed for: once it is run, or once it has gelled."""
        waits = self.run_s if self.wet or self.gels_s is None else max(self.run_s, self.gels_s)
        return self.start_min + waits / 60.0


@dataclass(frozen=True)
class Fit:
    """Whether the day fits the resin, and what would make it fit.

    Attributes
    ----------
    open_s : float
        How long the first resin on the hull stays workable.
    down_by_s : float
        Last moment, from the first mix, by which the bag must be down and the pump started, leak hunt kept back.
    needed_s : float
        From the first mix to full vacuum and leaks found.
    slower_by : float
        Factor by which open time falls short; 1 or less where the day fits.
    cooler_c : float or None
        Temperature at which it would fit with this resin; None where it fits, or none above 5 °C would do.
    quicker_by : float or None
        Factor on all speeds of working that would do; None where none would.
    sessions : tuple of (tuple of str, float)
        Plies of each session, with the time each needs, when it is parted by peel ply; one where it fits, empty where even
        single plies do not.
    """

    open_s: float
    down_by_s: float
    needed_s: float
    slower_by: float
    cooler_c: float | None
    quicker_by: float | None
    sessions: tuple[tuple[tuple[str, ...], float], ...]


def fit_of(work: Work, *, batch_count: int, open_time: Speed, temperature_c: float) -> Fit:
    """Say whether a region can be laid, bagged and pulled before its first resin sets.

    Parameters
    ----------
    work : Work
    batch_count : int
    open_time : Speed
        How long a thin layer stays workable.
    temperature_c : float
    """
    opens = open_time.at(temperature_c)
    needed = steps_of(work, batch_count)[-1].end_s
    fits = needed <= opens
    fixed = batch_count * work.mix_s + work.pull_s + work.leak_hunt_s
    quick = max((needed - fixed) / (opens - fixed), 1.0) if opens > fixed else None
    cooler = None
    if not fits:
        # ln t is straight over 1/T.
        inverse = 1 / _kelvin(temperature_c) + math.log(needed / opens) * R_J_MOL_K / (open_time.kj_mol * 1000.0)
        found = 1 / inverse - 273.15
        cooler = found if found >= 5.0 else None
    return Fit(
        opens, opens - work.leak_hunt_s - work.pull_s, needed, needed / opens, cooler, quick,
        _sessions(work, batch_count, opens),
    )  # fmt: skip


def _sessions(work: Work, batches: int, opens: float) -> tuple[tuple[tuple[str, ...], float], ...]:
    """Plies in as few runs as fit, each with its own bag; empty where one ply alone does not."""
    whole = sum(a for _, a in work.plies_m2)

    def needs(total: float) -> float:
        """How long a run over so many square metres takes, s."""
        mixes = max(math.ceil(batches * total / whole - 1e-9), 1) if whole > 0 else 1
        return mixes * work.mix_s + 60.0 * total / work.wet_out_m2_min + work.close_s

    made: list[tuple[tuple[str, ...], float]] = []
    run: list[str] = []
    area = took = 0.0
    for name, ply in work.plies_m2:
        if run and needs(area + ply) > opens:
            made.append((tuple(run), took))
            run, area = [], 0.0
        run, area = [*run, name], area + ply
        took = needs(area)
        if took > opens:
            return ()
    return (*made, (tuple(run), took)) if run else ()
