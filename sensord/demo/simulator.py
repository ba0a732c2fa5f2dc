"""Simulated paste and air, for the demo, the tests and the scorer. A model, not a kitchen.

`Bowl` is a heat balance in five masses (core, surface and rim of the paste, the bowl, a lump if there is one) with
losses by convection, radiation and evaporation, an optional warm bath, and a probe with its own lag, stem and noise.
`Air` is a brooder: air, walls, a heater behind a thermostat, a lid. Both are plain Python and repeat exactly for a
given seed.
"""

import math
import random
from dataclasses import dataclass, field

from sensord.physics.heat import ROOM_CELSIUS

STEP_SECONDS = 0.2
PASTE_JOULE_PER_GRAM_KELVIN = 3.75
WATER_JOULE_PER_GRAM_KELVIN = 4.18
BOWL_JOULE_PER_GRAM_KELVIN = {"ceramic": 0.9, "steel": 0.5, "plastic": 1.7, "glass": 0.84}
BOWL_CONTACT = {"ceramic": 75.0, "steel": 200.0, "plastic": 60.0, "glass": 75.0}  # W/(m2 K), paste to bowl
PSYCHROMETRIC_PASCAL_PER_KELVIN = 66.0
"""From heat to vapour transfer at a free surface (Lewis relation; psychrometric constant at 1 bar, FAO-56 eq. 8)."""


def saturation_pascal(celsius: float) -> float:
    """Saturation pressure of water vapour, Magnus form (WMO-No. 8, annex 4.B): 611.2 exp(17.62 t / (243.12 + t))."""
    return 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeMake:
    """The probe: time constant stirred (at rest it is `rest_factor` times longer), offset, stem, noise, in SI units."""

    time_constant_seconds: float = 7.0
    rest_factor: float = 1.6
    air_seconds: float = 55.0
    offset_celsius: float = 0.0
    stem_share: float = 0.045
    stem_loss: float = 0.05
    stem_seconds: float = 30.0
    noise_celsius: float = 0.04

    def followed(
        self, tip: float, stem: float, target: float, seconds: float, stem_seconds: float, room: float, dt: float
    ) -> tuple[float, float]:
        """Tip and stem, Celsius, after `dt`: the tip follows `target`, the stem the tip, each with its own lag."""
        tip += dt * (target - tip) / seconds
        kept = tip - self.stem_loss * (tip - room)
        return tip, stem + dt * (kept - stem) / stem_seconds

    def said(self, tip: float, stem: float, chance: random.Random) -> float:
        """What it says, Celsius, in steps of 1/16 °C."""
        exact = (1.0 - self.stem_share) * tip + self.stem_share * stem
        noisy = exact + self.offset_celsius + chance.gauss(0.0, self.noise_celsius)
        return round(noisy * 16.0) / 16.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BowlMake:
    """The bowl, what is in it and where it stands."""

    millilitres: float = 60.0
    celsius: float = 50.0
    bowl: str = "ceramic"
    bowl_grams: float = 120.0
    bowl_celsius: float | None = None
    room_celsius: float = ROOM_CELSIUS
    humidity: float = 0.5
    draught: float = 1.0
    hand_held: bool = False
    probe: ProbeMake = field(default_factory=ProbeMake)


class SimulatedBowl:
    """One bowl of paste with one probe. Time runs only through `advance`.

    The keeper's acts (`stir`, `dip`, `lift`, `add_water`, `bath`, `draw`, `press_on_wall`, `leave_lump`) take effect
    at once. `mean_celsius` is the truth; `read` is what a DS18B20 would say, in steps of 1/16 °C.
    """

    def __init__(self, make: BowlMake, seed: int = 0) -> None:
        self.make = make
        self._random = random.Random(seed)
        self.seconds = 0.0
        self.grams = make.millilitres * 1.03
        self.core = self.surface = self.rim = make.celsius
        self.wall = make.room_celsius if make.bowl_celsius is None else make.bowl_celsius
        self.tip = self.stem = make.room_celsius
        self.in_paste = False
        self.on_wall = False
        self.stirring = False
        self.bath_celsius: float | None = None
        self.lump: float | None = None
        self._lump_share = 0.03
        self._wet = False
        self._hollow: float | None = None  # what a lump beside the tip adds to the spot, as a share
        self._surface_share, self._rim_share = 0.08, 0.2
        self._depth = 0.1
        self._place_probe()

    @property
    def mean_celsius(self) -> float:
        """The mass-weighted mean of the paste."""
        core_share = 1.0 - self._surface_share - self._rim_share
        mean = core_share * self.core + self._surface_share * self.surface + self._rim_share * self.rim
        return mean if self.lump is None else (1.0 - self._lump_share) * mean + self._lump_share * self.lump

    @property
    def coldest_celsius(self) -> float:
        return min(self.core, self.surface, self.rim)

    @property
    def hottest_celsius(self) -> float:
        layers = max(self.core, self.surface, self.rim)
        return layers if self.lump is None else max(layers, self.lump)

    @property
    def spot_celsius(self) -> float:
        """The paste at the tip of the probe."""
        cold = 0.5 * (self.surface + self.rim)
        spot = self.core + self._depth * (cold - self.core)
        if self.lump is not None and self._hollow is not None:
            spot += self._hollow * (self.lump - spot)
        return spot

    def _place_probe(self) -> None:
        """Each stir leaves the tip somewhere else; mostly in the core, at times near the rim or the surface."""
        self._depth = min(0.75, max(0.0, self._random.gauss(0.16, 0.17)))
        near_lump = self.lump is not None and self._random.random() < 0.45
        self._hollow = self._random.uniform(0.1, 0.7) if near_lump else None

    def stir(self, on: bool) -> None:
        ends = self.stirring and not on
        if ends or (on and self.lump is not None):
            self._place_probe()
        self.stirring = on

    def dip(self) -> None:
        self.in_paste, self.on_wall = True, False

    def lift(self, wiped: bool = False) -> None:
        self.in_paste, self.on_wall, self._wet = False, False, not wiped

    def press_on_wall(self, on: bool = True) -> None:
        self.on_wall = on

    def bath(self, celsius: float | None) -> None:
        """Stand the bowl in water of so many degrees, or take it out (None)."""
        self.bath_celsius = celsius

    def leave_lump(self, celsius: float, share: float = 0.03) -> None:
        """A share of the paste stays together, that much hotter or colder than the rest."""
        self.lump, self._lump_share = celsius, share
        self._place_probe()

    def add_water(self, grams: float, celsius: float) -> None:
        """Pour water in: it lies on top until it is stirred in."""
        total = self.grams + grams
        share = grams / total
        top = max(self._surface_share, min(0.5, share + 0.05))
        kept = (top - share) * self.mean_celsius
        mean = self.mean_celsius
        self.surface = (share * WATER_JOULE_PER_GRAM_KELVIN * celsius + kept * PASTE_JOULE_PER_GRAM_KELVIN) / (
            share * WATER_JOULE_PER_GRAM_KELVIN + (top - share) * PASTE_JOULE_PER_GRAM_KELVIN
        )
        self._surface_share = top
        self._rim_share = min(0.2, 0.9 - top)
        self.core = self.rim = mean
        self.grams = total

    def draw(self, millilitres: float) -> None:
        """Take paste out for a feed."""
        self.grams = max(5.0, self.grams - millilitres * 1.03)

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass, in steps of `STEP_SECONDS`."""
        left = seconds
        while left > 1e-9:
            step = min(STEP_SECONDS, left)
            self._paste(step)
            self._probe(step)
            self.seconds += step
            left -= step

    def _paste(self, dt: float) -> None:
        make = self.make
        capacity = self.grams * PASTE_JOULE_PER_GRAM_KELVIN
        radius = (3.0 * self.grams / 1.03e6 / (2.0 * math.pi)) ** (1.0 / 3.0)
        top = math.pi * radius**2
        side = 2.0 * math.pi * radius**2
        h = 6.5 * make.draught
        vapour = saturation_pascal(self.surface) - make.humidity * saturation_pascal(make.room_celsius)
        out = top * (
            (h + 5.5) * (self.surface - make.room_celsius) + 0.85 * h * vapour / PSYCHROMETRIC_PASCAL_PER_KELVIN
        )
        to_bowl = side * BOWL_CONTACT[make.bowl] * (2.0 if self.stirring else 1.0) * (self.rim - self.wall)
        wall_capacity = make.bowl_grams * BOWL_JOULE_PER_GRAM_KELVIN[make.bowl]
        wall_loss = 1.3 * side * (h + 5.0) * (self.wall - make.room_celsius)
        if make.hand_held:
            wall_loss += 0.03 * (self.wall - 33.0)
        if self.bath_celsius is not None:
            wall_loss += side * 150.0 * (self.wall - self.bath_celsius)
        s, r = self._surface_share, self._rim_share
        c = 1.0 - s - r
        mixing = 1.0 / 4.5 if self.stirring else 1.0 / 110.0
        if s > 0.25:  # fresh water on top mixes in more slowly than paste with itself
            mixing *= 0.5
        down = s * capacity * mixing * (self.surface - self.core)
        inward = r * capacity * (mixing if self.stirring else 1.0 / 60.0) * (self.rim - self.core)
        self.surface += dt * (-out - down) / (s * capacity)
        self.rim += dt * (-to_bowl - inward) / (r * capacity)
        self.core += dt * (down + inward) / (c * capacity)
        self.wall += dt * (to_bowl - wall_loss) / wall_capacity
        if self.stirring and s > 0.08:
            self._shrink_surface(dt)
        if self.lump is not None:
            seconds = 25.0 if self.stirring else 700.0
            self.lump += dt * (self.core - self.lump) / seconds

    def _shrink_surface(self, dt: float) -> None:
        """Stirring hands the poured-in layer back to the core, heat and all."""
        s = self._surface_share
        moved = min(s - 0.08, s * dt / 4.0)
        c = 1.0 - s - self._rim_share
        self.core = (c * self.core + moved * self.surface) / (c + moved)
        self._surface_share = s - moved
        rim = min(0.2, self._rim_share + moved)
        self.rim = (self._rim_share * self.rim + (rim - self._rim_share) * self.core) / rim
        self._rim_share = rim

    def _probe(self, dt: float) -> None:
        make = self.make.probe
        if self.in_paste:
            target = self.wall if self.on_wall else self.spot_celsius
            seconds = make.time_constant_seconds * (1.0 if self.stirring else make.rest_factor)
        else:
            target = self.make.room_celsius - (4.0 if self._wet else 0.0)
            seconds = make.air_seconds
            self._wet = self._wet and self._random.random() > dt / 60.0
        stem_seconds = make.stem_seconds if self.in_paste else make.air_seconds
        self.tip, self.stem = make.followed(
            self.tip, self.stem, target, seconds, stem_seconds, self.make.room_celsius, dt
        )

    def read(self) -> float:
        """What the probe says now, in Celsius."""
        return self.make.probe.said(self.tip, self.stem, self._random)


@dataclass(frozen=True, slots=True, kw_only=True)
class AirMake:
    """A brooder: 20 litres of air and thin walls by default, a heater of so many watts behind a thermostat."""

    target_celsius: float = 35.0
    room_celsius: float = ROOM_CELSIUS
    heater_watts: float = 30.0
    loss_watts_per_kelvin: float = 0.9
    air_joule_per_kelvin: float = 60.0
    wall_joule_per_kelvin: float = 2500.0
    air_to_wall_watts_per_kelvin: float = 3.0
    switch_celsius: float = 0.2
    probe_seconds: float = 40.0
    noise_celsius: float = 0.03


class Air:
    """One brooder with a thermostat that switches the heater, a lid, and a probe in the air."""

    def __init__(self, make: AirMake, seed: int = 0) -> None:
        self.make = make
        self._random = random.Random(seed)
        self.seconds = 0.0
        self.celsius = self.wall = self.probe = make.target_celsius
        self.heating = False
        self.heater_works = True
        self.heater_stuck = False
        self.lid_open = False

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass, in steps of one second."""
        left = seconds
        while left > 1e-9:
            step = min(1.0, left)
            self._step(step)
            left -= step

    def _step(self, dt: float) -> None:
        make = self.make
        if self.probe < make.target_celsius - make.switch_celsius:
            self.heating = True
        elif self.probe > make.target_celsius + make.switch_celsius:
            self.heating = False
        watts = make.heater_watts if (self.heating or self.heater_stuck) and self.heater_works else 0.0
        exchange = make.air_to_wall_watts_per_kelvin * (self.celsius - self.wall)
        open_loss = 6.0 * (self.celsius - make.room_celsius) if self.lid_open else 0.0
        share = 0.5  # of the heater's heat, into the air; the rest warms the walls by radiation
        self.celsius += dt * (share * watts - exchange - open_loss) / make.air_joule_per_kelvin
        wall_loss = make.loss_watts_per_kelvin * (self.wall - make.room_celsius)
        self.wall += dt * ((1.0 - share) * watts + exchange - wall_loss) / make.wall_joule_per_kelvin
        self.probe += dt * (self.celsius - self.probe) / make.probe_seconds
        self.seconds += dt

    def read(self) -> float:
        """What the probe says now, in Celsius, in steps of 1/16 °C."""
        return round((self.probe + self._random.gauss(0.0, self.make.noise_celsius)) * 16.0) / 16.0
