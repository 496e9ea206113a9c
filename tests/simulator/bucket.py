"""The truth of the development benchmark: buckets of potash paste, nine cells each, seeded.

This is NOT the forward model of ``monitor.heat`` and shares no line with it; a method that only works on its own
assumptions fails here. What differs in structure:

* nine cells (three layers by three rings) and a bucket wall with its own heat, instead of one lump;
* the paste is mixed by convection while liquid and only conducts once it has set;
* loss by the McAdams free-convection formulas and the Stefan-Boltzmann law, plus draughts that change with the hour,
  instead of A (a + b theta); steam through the gaps of the lid, and boiling;
* chemistry by a population of droplets, by a two-pool Kamal-Sourour law, or by an equivalent-age law: which one is a
  property of the *world*, as are the heat per mole and the conductivity of the paste. Nobody tells the program.

Sources (the reference notes of the project say which were seen in print): h = 1.42 (dT/L)^0.25 vertical and
1.32 (dT/D)^0.25 horizontal, McAdams (from memory); Stefan-Boltzmann with emissivity 0.9; vapour pressure by Magnus;
evaporation by the psychrometric analogy q = h dp / 66 Pa/K; Kamal-Sourour, Thermochim. Acta 14 (1976) 41; exponential
hydration law of Schindler and Folliard, ACI Mater. J. 102 (2005) 24. The droplet law is reasoning, no source.
Every number drawn here is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

GAS = 8.314462618
SIGMA = 5.670374e-8
KOH_G_MOL = 56.105
T_REF_K = 333.15

# Names and Codex CXS 210 saponification ranges, mg KOH per g; true values are drawn inside.
OILS = {
    "rapeseed": (182, 193), "sunflower": (187, 194), "soya": (189, 195), "olive": (184, 196), "coconut": (248, 265),
    "palm": (190, 209), "maize": (187, 195), "sesame": (186, 195), "linseed": (185, 197), "rice bran": (180, 199),
}  # fmt: skip

# Thermal resistance that a cover adds, m2 K/W (20 to 40 mm of blanket at 0.04 W/(m K); a box about twice that).
COVER_R = {"bare": 0.0, "blanket": 0.45, "box": 0.95}

KINDS = ("good", "hot", "poor", "separated", "weak", "cold")


@dataclass(frozen=True)
class World:
    """One way nature may be. Batches of one world share it; the program under test never sees it."""

    name: str
    kinetics: str  # "droplets", "kamal" or "age"
    heat_kj_mol: float  # heat per mole of KOH consumed
    heat_spread: float  # relative spread from batch to batch
    activation_kj_mol: float
    conductivity: float  # set paste, W/(m K)
    stirs_after_set: float  # 0: only conducts once set; up to 0.15: still creeps
    loss: str  # "still" (free convection) or "draughty"
    vapour: float  # scale of evaporation
    cp_start: float
    cp_gain: float  # kJ/(kg K) gained from raw to reacted
    wall_scale: float


WORLD_STYLES = ("droplets-still", "kamal-still", "droplets-draughty", "kamal-damp", "age-still", "age-draughty")


def world_for(style: str, seed: int) -> World:
    """The world of this style and seed: heat per mole within 50 to 66 kJ, one for all its batches."""
    rng = np.random.default_rng([seed, 77, WORLD_STYLES.index(style)])
    kinetics, air = style.split("-")
    return World(
        name=style,
        kinetics=kinetics,
        heat_kj_mol=float(rng.uniform(50, 66)),
        heat_spread=float(rng.choice([0.0, 0.01, 0.02])),
        activation_kj_mol=float(rng.uniform(43, 50)),
        conductivity=float(rng.uniform(0.25, 0.40)),
        stirs_after_set=float(rng.choice([0.0, 0.0, 0.05, 0.15])),
        loss="draughty" if air == "draughty" else "still",
        vapour=float(rng.uniform(1.0, 2.0)) if air == "damp" else float(rng.uniform(0.2, 1.0)),
        cp_start=float(rng.uniform(2.2, 2.4)),
        cp_gain=float(rng.uniform(0.15, 0.35)),
        wall_scale=float(rng.uniform(0.7, 1.5)),
    )


@dataclass(frozen=True)
class Doing:
    """Something done to the bucket at ``at_s`` (seconds after the pour) for ``for_s`` seconds: "lid-off", "covered",
    "uncovered", "reblended", "probe-out", "probe-in"."""

    kind: str
    at_s: float
    for_s: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """One batch: what was entered, what is true, and what happens to it. Times are seconds after the pour."""

    name: str
    kind: str
    seed: int
    poured_unix_s: float
    # as entered
    oils: tuple[tuple[str, float], ...]  # (name, kg as weighed)
    koh_kg: float
    koh_purity: float
    water_kg: float
    litres: float
    insulation: str
    # truth
    true_oil_kg: float
    true_ester_mol: float
    true_koh_mol: float
    true_water_kg: float
    heat_kj_mol: float
    cp_factor: float
    pour_c: float
    grains: float  # fraction of the potash still solid at the pour
    grains_tau_s: float
    blend_from_s: float
    blend_to_s: float
    blend_w: float
    rate: float  # per second at 60 degC for the fine part
    coarse: float  # fraction of the oil left in coarse drops
    reblend_mends: float
    split_at_s: float  # when layers begin to form, inf for never
    split_rate: float
    lid_gap: float
    # weather
    air_mean_c: float
    air_swing_k: float
    air_noise_k: float
    draught: float
    sun_k: float
    board_r: float
    boil_c: float
    doings: tuple[Doing, ...] = ()
    promised_mol: float = field(default=0.0)


@dataclass
class Run:
    """What really happened. ``cells_c`` is [time, layer (top, middle, bottom), ring (core, mid, outer)]."""

    scenario: Scenario
    world: World
    t_s: np.ndarray
    cells_c: np.ndarray
    wall_c: np.ndarray
    air_c: np.ndarray
    sun_k: np.ndarray
    soap: np.ndarray  # completeness, against the recipe as entered
    unpartnered: np.ndarray  # share of the limiting reagent without a partner in its layer
    heat_w: np.ndarray

    @property
    def core_c(self) -> np.ndarray:
        return self.cells_c[:, 1, 0]

    @property
    def hottest_c(self) -> np.ndarray:
        return self.cells_c.reshape(len(self.t_s), -1).max(axis=1)


def _oil_blend(rng: np.random.Generator) -> list[tuple[str, float]]:
    first = str(
        rng.choice(
            ["rapeseed", "rapeseed", "sunflower", "sunflower", "soya", "olive", "maize", "rice bran", "linseed", "palm"]
        )
    )
    if rng.random() < 0.7:
        return [(first, 1.0)]
    second = str(rng.choice([o for o in OILS if o != first]))
    share = float(rng.uniform(0.1, 0.35))
    return [(first, 1 - share), (second, share)]


def draw_scenario(
    kind: str, seed: int, world: World, name: str | None = None, pour_unix_s: float | None = None
) -> Scenario:
    """A batch of this kind ("good" means nothing was done to spoil it; what is due is decided by the run)."""
    rng = np.random.default_rng([seed, 5, KINDS.index(kind)])
    u = rng.uniform
    season = int(rng.integers(4))
    oil_kg = float(np.exp(u(np.log(2.0), np.log(25.0))))
    indoors = rng.random() < 0.25
    air_mean = (
        float(rng.normal(18, 2)) if indoors else float(rng.normal([3, 10, 20, 11][season], [3.5, 3, 3, 3][season]))
    )
    pour_c = float(u(42, 54))
    insulation = str(rng.choice(["bare", "bare", "blanket", "box"], p=[0.35, 0.2, 0.3, 0.15]))
    if kind == "hot":
        oil_kg = float(np.exp(u(np.log(4.0), np.log(25.0))))
        pour_c = float(u(48, 68))
        insulation = str(rng.choice(["bare", "blanket", "box"], p=[0.3, 0.4, 0.3]))
    elif kind == "cold":
        pour_c = float(u(28, 40))
        air_mean = min(air_mean, float(u(-2, 10)))
        insulation = "bare"
        oil_kg = min(oil_kg, 10.0)
    blend = _oil_blend(rng)
    oils = tuple((n, round(oil_kg * share, 2)) for n, share in blend)
    entered_oil = sum(kg for _, kg in oils)
    true_oil = [kg * float(rng.normal(1, 0.006)) for _, kg in oils]
    true_ester = (
        sum(
            kg * float(np.clip(rng.normal((OILS[n][0] + OILS[n][1]) / 2, (OILS[n][1] - OILS[n][0]) / 4.5), *OILS[n]))
            for (n, _), kg in zip(oils, true_oil, strict=True)
        )
        / KOH_G_MOL
    )
    entered_ester = sum(kg * sum(OILS[n]) / 2 for n, kg in oils) / KOH_G_MOL
    printed = float(rng.choice([0.90, 0.90, 0.90, 0.88, 0.92, 0.85]))
    lye_ratio = float(u(0.90, 0.97)) if rng.random() < 0.8 else float(u(0.97, 1.04))
    koh_kg = round(entered_ester * lye_ratio * KOH_G_MOL / 1000 / printed, 3)
    # The bag draws water and CO2: the true figure is mostly lower than the printed one, skewed.
    purity = printed - float(rng.gamma(1.6, 0.006)) + float(rng.normal(0, 0.004))
    koh_true_kg = koh_kg * float(rng.normal(1, 0.006))
    if kind == "weak":
        if rng.random() < 0.6:
            purity = printed * float(u(0.72, 0.93))
        else:
            koh_true_kg *= float(u(0.72, 0.92))
    water_kg = round(koh_kg * float(u(1.35, 1.9)), 2)
    volume = (entered_oil / 0.915 + (koh_kg + water_kg) / 1.33) * 1.0
    litres = float(min(60, max(10, 5 * round(volume * u(1.7, 3.2) / 5))))
    koh_mol = koh_true_kg * purity * 1000 / KOH_G_MOL
    promised = min(koh_kg * printed * 1000 / KOH_G_MOL, entered_ester)

    blend_w = float(u(100, 300))
    blend_for_s = float(u(240, 600) * (entered_oil / 4.0) ** 0.35)
    if kind in ("good", "weak", "poor", "separated") and rng.random() < 0.85:
        # A grower who has made a few knows how warm this bucket may start; the others start as they please.
        mass = entered_oil + koh_kg + water_kg
        rise = world.heat_kj_mol * promised / (mass * (world.cp_start + world.cp_gain))
        kept = (0.78 if insulation == "bare" else 0.90) + 0.05 * np.log(mass / 5.0)
        worked = 0.7 * blend_w * blend_for_s / 1000 / (mass * world.cp_start)
        pour_c = float(np.clip(u(79, 94) - kept * rise - worked, 39.0, 60.0))
    rate = float(np.exp(rng.normal(np.log(1.0 / 560.0), 0.30)))
    coarse = float(np.clip(rng.beta(1.3, 30), 0, 0.06))
    split_at, split_rate = np.inf, 0.0
    if kind == "hot":
        rate *= float(u(0.5, 1.0))
    elif kind == "poor":
        coarse = float(u(0.22, 0.85))
        rate *= float(u(0.4, 1.0))
    elif kind == "separated":
        # An emulsion that breaks is mostly a coarse one too; some break late, after a lively start.
        split_at = float(np.exp(u(np.log(300), np.log(7200))))
        split_rate = float(np.exp(u(np.log(1 / 2400), np.log(1 / 240))))
        coarse = float(u(0.05, 0.65))
        rate *= float(u(0.12, 0.9))
    elif kind == "cold":
        rate *= float(u(0.35, 1.0))
        coarse = float(u(0.02, 0.5))
    blend_from = float(u(60, 360))
    blend_to = blend_from + blend_for_s
    doings: list[Doing] = []
    if rng.random() < 0.15:
        doings.append(Doing("lid-off", float(u(1800, 10 * 3600)), float(u(180, 1500))))
    if insulation != "box" and rng.random() < 0.15:
        doings.append(Doing("uncovered" if insulation == "blanket" else "covered", float(u(2400, 8 * 3600))))
    if kind in ("poor", "separated", "cold") and rng.random() < 0.3:
        doings.append(Doing("reblended", blend_to + float(u(2400, 6 * 3600)), float(u(240, 720))))
    at = pour_unix_s
    if at is None:
        day = [15, 105, 196, 288][season] + int(rng.integers(-30, 30))
        hour = float(np.clip(rng.normal(14 if rng.random() < 0.6 else 18, 2.5), 7, 22))
        at = 1767225600.0 + 60 * round((day * 86400 + hour * 3600) / 60) + float(u(-25, 25))
    return Scenario(
        name=name or f"{world.name}-{kind}-{seed}", kind=kind, seed=seed, poured_unix_s=at, oils=oils, koh_kg=koh_kg,
        koh_purity=printed, water_kg=water_kg, litres=litres, insulation=insulation, true_oil_kg=float(sum(true_oil)),
        true_ester_mol=float(true_ester), true_koh_mol=float(koh_mol),
        true_water_kg=water_kg * float(rng.normal(1, 0.01)) + koh_true_kg * (1 - purity),
        heat_kj_mol=world.heat_kj_mol * float(rng.normal(1, world.heat_spread)), cp_factor=float(rng.normal(1, 0.02)),
        pour_c=float(pour_c), grains=float(u(0.02, 0.10)) if rng.random() < 0.25 else float(u(0, 0.01)),
        grains_tau_s=float(u(240, 1200)), blend_from_s=blend_from, blend_to_s=blend_to, blend_w=blend_w,
        rate=rate, coarse=coarse, reblend_mends=float(u(0.6, 0.95)),
        split_at_s=float(split_at), split_rate=float(split_rate),
        lid_gap=float(np.exp(u(np.log(0.01), np.log(0.12)))), air_mean_c=air_mean,
        air_swing_k=float(u(0.5, 2)) if indoors else float(u(1.5, 6)), air_noise_k=float(u(0.2, 1.0)),
        draught=float(u(0, 1)), sun_k=float(u(3, 14)) if rng.random() < 0.3 else 0.0, board_r=float(u(0.05, 0.4)),
        boil_c=float(u(101.5, 104.0)), doings=tuple(sorted(doings, key=lambda d: d.at_s)), promised_mol=float(promised),
    )  # fmt: skip


def time_grid(hours: float) -> np.ndarray:
    """10 s steps while it is lively, 20 s to hour 7, a minute to hour 24, then two."""
    cuts = [(0.0, 2.5, 10.0), (2.5, 7.0, 20.0), (7.0, 24.0, 60.0), (24.0, 1e9, 120.0)]
    parts = [np.arange(a * 3600, min(hours, b) * 3600, step) for a, b, step in cuts if hours > a]
    return np.concatenate([*parts, [hours * 3600.0]])


def _weather(scenario: Scenario, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Air temperature, what the sun adds to an ambient probe, and draught (0..about 2), on the grid."""
    rng = np.random.default_rng([scenario.seed, 11])
    # Drawn on its own grid of five minutes, so that the steps of the simulation do not change the weather.
    own = np.arange(0.0, 72 * 3600.0 + 301.0, 300.0)

    def wander(tau: float) -> np.ndarray:
        keep, noise = float(np.exp(-300.0 / tau)), rng.normal(size=len(own))
        x, out = float(rng.normal()), np.empty(len(own))
        for i in range(len(own)):
            x = x * keep + np.sqrt(1 - keep * keep) * noise[i]
            out[i] = x
        return np.interp(t, own, out)

    hour = ((scenario.poured_unix_s + t) / 3600.0) % 24
    swing = scenario.air_swing_k * np.cos(2 * np.pi * (hour - 15.0) / 24)
    air = (
        scenario.air_mean_c
        + swing
        + scenario.air_noise_k * wander(3 * 3600)
        + 1.5 * scenario.air_noise_k * wander(30 * 3600)
    )
    cloud = np.clip(wander(1800) + 0.4, 0, 1.2)
    sun = scenario.sun_k * np.clip(np.sin(np.pi * (hour - 8.5) / 4.5), 0, None) * (hour > 8.5) * (hour < 13) * cloud
    draught = scenario.draught * np.exp(0.5 * wander(2400) - 0.125)
    return air, sun, draught


class _Chemistry:
    """Moles in each cell and how they react. Arrays are (batch, layer, ring[, class])."""

    # Droplet radii relative to the fine ones. The last class is what a poor blend leaves behind.
    RADII = np.array([0.8, 1.0, 2.2, 40.0])

    def __init__(self, worlds: list[World], batch: list[Scenario], share: np.ndarray) -> None:
        n = len(batch)
        self.kind = worlds[0].kinetics
        self.ea = np.array([w.activation_kj_mol * 1000 for w in worlds])[:, None, None]
        self.koh0 = np.array([s.true_koh_mol for s in batch])[:, None, None] * share
        self.ester0 = np.array([s.true_ester_mol for s in batch])[:, None, None] * share
        grains = np.array([s.grains for s in batch])[:, None, None]
        self.grains = self.koh0 * grains
        self.koh = self.koh0 - self.grains
        coarse = np.array([s.coarse for s in batch])
        fine = 1 - coarse
        parts = np.stack([0.35 * fine, 0.45 * fine, 0.20 * fine, coarse], axis=1)
        self.pool = self.ester0[..., None] * parts[:, None, None, :]
        self.pool0 = self.pool.copy()
        self.soap = np.zeros((n, 3, 3))
        self.age = np.zeros((n, 3, 3))
        self.rate = np.array([s.rate for s in batch])[:, None, None]

    def react(self, cells_k: np.ndarray, active: np.ndarray, dt: float) -> np.ndarray:
        """Moles reacted per cell in this step; takes them out of the pools."""
        arrhenius = np.exp(-self.ea / GAS * (1 / cells_k - 1 / T_REF_K))
        creep = np.exp(-22000.0 / GAS * (1 / cells_k - 1 / T_REF_K))
        k = self.rate * arrhenius * active[:, None, None]
        lye = np.clip(self.koh / self.koh0, 0, None)
        made = self.soap / np.minimum(self.koh0, self.ester0)
        left = np.clip(self.pool, 0, None)
        if self.kind == "droplets":
            # Surface of the drops, helped by soap at it; the coarse ones wait for diffusion through their own soap.
            help_ = 0.10 + 1.6 * made / (made + 0.20)
            u = left / np.maximum(self.pool0, 1e-12)
            surface = self.pool0 * np.cbrt(u) ** 2
            chem = (k * help_ * 1.5)[..., None] / self.RADII
            shell = self.RADII * (1 - np.cbrt(np.minimum(u, 1)))
            slow = 1.0 / (1.0 + 1.2 * shell / np.maximum(creep, 1e-3)[..., None])
            want = chem * slow * surface * lye[..., None]
        elif self.kind == "kamal":
            # Two pools: emulsified (first three classes) by Kamal-Sourour, n = 1.4; the rest bound by diffusion.
            law = (0.15 + 2.5 * np.clip(made, 0, 1) ** 0.8) * np.sqrt(lye)
            want = left * (k * law)[..., None] * np.clip(left / np.maximum(self.pool0, 1e-12), 0, 1) ** 0.4
            want[..., 3] = left[..., 3] * (4.0e-6 * creep * lye) * np.minimum(active, 1.0)[:, None, None]
        else:
            # Equivalent age: exp(-(tau/te)^beta), its rate by the hazard at the cell's own age.
            beta = 1.7
            self.age = self.age + k * 1.5 * dt
            age = np.maximum(self.age, 0.05)
            x = (1.0 / age) ** beta
            hazard = beta * x / age * np.exp(-x) / np.maximum(1 - np.exp(-x), 1e-6)
            want = left * (k * 1.5 * hazard * lye**0.7)[..., None]
            want[..., 3] = left[..., 3] * (3.0e-6 * creep * lye) * np.minimum(active, 1.0)[:, None, None]
        step = left * (1 - np.exp(-want * dt / np.maximum(left, 1e-15)))
        total = step.sum(axis=-1)
        allowed = self.koh * (1 - np.exp(-total / np.maximum(self.koh, 1e-15)))
        step *= (allowed / np.maximum(total, 1e-15))[..., None]
        self.pool -= step
        self.koh -= allowed
        self.soap += allowed
        return allowed

    def dissolve(self, tau: np.ndarray, dt: float) -> np.ndarray:
        """Moles of grains that go into solution in this step."""
        gone = self.grains * (1 - np.exp(-dt / tau))[:, None, None]
        self.grains -= gone
        self.koh += gone
        return gone

    def split(self, rate: np.ndarray, dt: float, share: np.ndarray) -> None:
        """Oil rises, lye sinks, drops run together; the more soap the stiffer, and set paste does not split."""
        made = self.soap / np.minimum(self.koh0, self.ester0)
        loose = np.clip(1 - made / 0.85, 0, 1)
        f = (1 - np.exp(-rate * dt))[:, None, None] * loose
        for src, dst in ((2, 1), (1, 0)):
            part = self.pool[:, src] * f[:, src, :, None]
            self.pool[:, src] -= part
            self.pool[:, dst] += part
            self.pool0[:, dst] += part
            self.pool0[:, src] = np.maximum(self.pool0[:, src] - part, 1e-12)
        for src, dst in ((0, 1), (1, 2)):
            part = self.koh[:, src] * f[:, src]
            self.koh[:, src] -= part
            self.koh[:, dst] += part
        for cls in (0, 1, 2):
            part = self.pool[..., cls] * f * 0.7
            self.pool[..., cls] -= part
            self.pool[..., 3] += part
            self.pool0[..., 3] += part

    def mix(self, which: np.ndarray, fraction: float, share: np.ndarray) -> None:
        """Stirring evens the cells of the batches ``which`` out by ``fraction``."""
        for array in (self.koh, self.soap, self.grains):
            mean = array[which].sum(axis=(1, 2))[:, None, None] * share
            array[which] += fraction * (mean - array[which])
        for array in (self.pool, self.pool0):
            mean = array[which].sum(axis=(1, 2))[:, None, None, :] * share[..., None]
            array[which] += fraction * (mean - array[which])

    def reblend(self, which: np.ndarray, mends: np.ndarray, share: np.ndarray) -> None:
        """A second blending makes fine drops of most of the coarse oil, and a fresh start of the age law."""
        self.mix(which, 1.0, share)
        pool = self.pool[which]
        moved = pool[..., 3] * mends[:, None, None]
        pool[..., 3] -= moved
        for cls, part in enumerate((0.35, 0.45, 0.20)):
            pool[..., cls] += moved * part
        self.pool[which] = pool
        self.pool0[which] = np.maximum(pool, 1e-12)
        self.age[which] = 0.35

    def unpartnered(self) -> np.ndarray:
        """Share of the limiting reagent that has no partner left in its layer."""
        koh = self.koh.sum(axis=2) + self.grains.sum(axis=2)
        ester = self.pool.sum(axis=(2, 3))
        koh_lonely = np.clip(koh - ester, 0, None).sum(axis=1)
        ester_lonely = np.clip(ester - koh, 0, None).sum(axis=1)
        koh_total, ester_total = self.koh0.sum(axis=(1, 2)), self.ester0.sum(axis=(1, 2))
        koh_excess = np.clip(koh.sum(axis=1) - ester.sum(axis=1), 0, None)
        ester_excess = -np.clip(koh.sum(axis=1) - ester.sum(axis=1), None, 0)
        return np.where(
            koh_total <= ester_total, (koh_lonely - koh_excess) / koh_total, (ester_lonely - ester_excess) / ester_total
        )


def _vapour_pa(celsius: np.ndarray) -> np.ndarray:
    return 611.2 * np.exp(17.62 * celsius / (243.12 + celsius))


def simulate(worlds: list[World], batch: list[Scenario], hours: float = 72.0) -> list[Run]:
    """Run all batches together, each in its world; the worlds must share their kinetics."""
    n = len(batch)
    if len({w.kinetics for w in worlds}) != 1 or len(worlds) != n:
        raise ValueError("simulate takes one world for each batch, all with the same kinetics")
    nature = lambda attr: np.array([getattr(w, attr) for w in worlds], dtype=float)  # noqa: E731
    t = time_grid(hours)
    get = lambda attr: np.array([getattr(s, attr) for s in batch], dtype=float)  # noqa: E731
    mass = get("true_oil_kg") + get("true_koh_mol") * KOH_G_MOL / 1000 + get("true_water_kg")
    volume = mass / 985.0
    radius = (4 * get("litres") / 1000 / (1.1 * np.pi)) ** (1 / 3) / 2
    depth = volume / (np.pi * radius**2)

    edges = np.array([0.0, 0.45, 0.80, 1.0])
    ring_share = np.diff(edges**2)
    layer_share = np.array([0.22, 0.56, 0.22])
    share = layer_share[:, None] * ring_share[None, :]
    cell_mass = mass[:, None, None] * share
    layer_h = depth[:, None] * layer_share
    centre = np.array([0.30, 0.64, 0.91])
    ring_g = np.stack(
        [
            2 * np.pi / np.log(centre[1] / centre[0]) * np.ones(n),
            2 * np.pi / np.log(centre[2] / centre[1]) * np.ones(n),
        ],
        axis=1,
    )
    out_g = 2 * np.pi / np.log(1.0 / centre[2])
    ring_area = np.pi * radius[:, None] ** 2 * ring_share
    top_area = np.pi * radius**2
    side_area = 2 * np.pi * radius[:, None] * layer_h
    wall_c_kj = nature("wall_scale") * 1.9 * 2 * np.pi * radius * depth * 0.0022 * 950.0  # polyethylene, 2.2 mm
    wall_c = wall_c_kj[:, None] * layer_share

    air, sun, draught = (np.stack(x, axis=1) for x in zip(*(_weather(s, t) for s in batch), strict=True))
    extra = COVER_R
    cover = np.empty((len(t), n))
    lid_open = np.zeros((len(t), n))
    power = np.zeros((len(t), n))
    active = np.zeros((len(t), n))
    reblends: list[list[tuple[float, float]]] = []
    for i, s in enumerate(batch):
        cover[:, i] = extra[s.insulation]
        power[:, i] = np.where((t >= s.blend_from_s) & (t < s.blend_to_s), s.blend_w, 0)
        active[:, i] = np.clip((t - s.blend_from_s) / (s.blend_to_s - s.blend_from_s), 0, 1) ** 1.5
        lid_open[:, i] = t < s.blend_to_s + 90
        reblends.append([])
        for d in s.doings:
            if d.kind == "covered":
                cover[t >= d.at_s, i] = max(extra[s.insulation], extra["blanket"])
            elif d.kind == "uncovered":
                cover[t >= d.at_s, i] = 0.0
            elif d.kind == "lid-off":
                lid_open[(t >= d.at_s) & (t < d.at_s + d.for_s), i] = 1
            elif d.kind == "reblended":
                now = (t >= d.at_s) & (t < d.at_s + d.for_s)
                power[now, i] = s.blend_w
                lid_open[now, i] = 1
                reblends[i].append((d.at_s, d.at_s + d.for_s))

    chem = _Chemistry(worlds, batch, share)
    temp = get("pour_c")[:, None, None] * np.ones((n, 3, 3))
    wall = np.full((n, 3), 0.0) + (get("pour_c")[:, None] + air[0][:, None]) / 2
    ground = air.mean(axis=0)
    grains_tau, board_r, boil, gap = get("grains_tau_s"), get("board_r"), get("boil_c"), get("lid_gap")
    heat_mol, cp_factor, promised = get("heat_kj_mol"), get("cp_factor"), get("promised_mol")
    split_at, split_rate, mends = get("split_at_s"), get("split_rate"), get("reblend_mends")
    length = np.maximum(depth, 0.05)
    # The empty part of the bucket above the paste loses heat through its walls as well as through the lid.
    above = np.clip(2.2 * radius - depth, 0.02, None)
    lid_share = top_area / (top_area + 2 * np.pi * radius * above)
    forced = np.array([6.0 if w.loss == "draughty" else 1.2 for w in worlds])
    vapour, conductivity, creeps = nature("vapour"), nature("conductivity"), nature("stirs_after_set")
    cp_start, cp_gain = nature("cp_start")[:, None, None], nature("cp_gain")[:, None, None]

    cells_out = np.empty((len(t), n, 3, 3), dtype=np.float32)
    wall_out = np.empty((len(t), n), dtype=np.float32)
    soap_out, lonely_out, heat_out = (np.zeros((len(t), n)) for _ in range(3))
    limiting0 = np.minimum(chem.koh0, chem.ester0)
    for j, now in enumerate(t):
        cells_out[j], wall_out[j] = temp, wall[:, 1]
        soap_out[j] = chem.soap.sum(axis=(1, 2)) / promised
        if j % 3 == 0 or j + 1 == len(t):
            lonely_out[j] = chem.unpartnered()
        else:
            lonely_out[j] = lonely_out[j - 1]
        if j + 1 == len(t):
            break
        dt = t[j + 1] - now
        stirred = power[j] > 0
        made = chem.soap / limiting0
        for i, windows in enumerate(reblends):
            for start, end in windows:
                if start <= now < end:
                    chem.mix(np.array([i]), 0.2, share)
                if now < end <= t[j + 1]:
                    chem.reblend(np.array([i]), mends[i : i + 1], share)
                    split_at[i] = np.inf
        # chemistry
        moles = chem.react(temp + 273.15, active[j], dt)
        dissolved = chem.dissolve(grains_tau, dt)
        if now < 6 * 3600 or np.isfinite(split_at).any():
            chem.split(np.where((now > split_at) & ~stirred, split_rate, 0.0), dt, share)
        heat = moles * heat_mol[:, None, None] + dissolved * 46.0 + (power[j] * dt / 1000)[:, None, None] * share
        heat_out[j] = moles.sum(axis=(1, 2)) * heat_mol * 1000 / dt
        c_cell = cell_mass * (cp_start + cp_gain * made) * cp_factor[:, None, None]

        # conduction in the paste; liquid paste carries heat better
        liquid = np.clip(1 - made.mean(axis=(1, 2)) / 0.55, 0, 1)
        k = conductivity * (1 + 6 * liquid + 4 * creeps)
        g = ring_g[:, None, :] * (k[:, None] * layer_h)[:, :, None]
        flow_r = g * (temp[:, :, :-1] - temp[:, :, 1:])
        gz = k[:, None, None] * ring_area[:, None, :] / ((layer_h[:, :-1] + layer_h[:, 1:]) / 2)[:, :, None]
        flow_z = gz * (temp[:, :-1] - temp[:, 1:])
        g_out = out_g * k[:, None] * layer_h

        # wall node: implicit, so that the step may be long
        d_wall = np.clip(wall - air[j][:, None], 0.5, None)
        wall_mean_k = (wall + air[j][:, None]) / 2 + 273.15
        h_side = (
            1.42 * (d_wall / length[:, None]) ** 0.25
            + 4 * 0.9 * SIGMA * wall_mean_k**3
            + (forced * draught[j])[:, None]
        )
        g_side = side_area / (cover[j][:, None] + 1 / h_side)
        flow_out = g_out * (temp[:, :, 2] - wall)
        wall = (wall_c * 1000 / dt * wall + g_out * temp[:, :, 2] + g_side * air[j][:, None]) / (
            wall_c * 1000 / dt + g_out + g_side
        )

        # top: paste, head-space, lid, air; steam
        top = temp[:, 0]
        d_top = np.clip(top - air[j][:, None], 0.5, None)
        h_out = 1.32 * (0.5 * d_top / (2 * radius)[:, None]) ** 0.25 + 5.4 + (forced * 0.7 * draught[j])[:, None]
        h_in = 7.5 + 0.03 * np.clip(top - 50, 0, None) ** 1.4
        half = (layer_h[:, 0] / 2 / k)[:, None]
        open_ = lid_open[j][:, None]
        r_above = np.where(
            open_ > 0,
            1 / (h_out + 2.0),
            1 / h_in + lid_share[:, None] / h_out + cover[j][:, None] * (0.4 + 0.6 * lid_share[:, None]),
        )
        u_top = 1 / (half + r_above)
        surface = top - u_top * half * (top - air[j][:, None])
        film = 0.15 + 0.5 * liquid[:, None]
        dp = 0.75 * _vapour_pa(np.minimum(surface, 105.0)) - 0.7 * _vapour_pa(air[j])[:, None]
        opening = np.where(open_ > 0, 1.0, gap[:, None]) * vapour[:, None]
        steam = opening * film * 4.0 * np.clip(dp, 0, None) / 66.0
        flow_top = ring_area * (u_top * (top - air[j][:, None]) + steam)
        ground += (air[j] - ground) * (dt / (12 * 3600))
        u_bottom = 1 / (layer_h[:, 2] / 2 / k + 0.005 + board_r + 0.06 + 0.5 * cover[j])
        flow_bottom = ring_area * u_bottom[:, None] * (temp[:, 2] - ground[:, None])

        gain = heat * 1000
        gain[:, :, :-1] -= flow_r * dt
        gain[:, :, 1:] += flow_r * dt
        gain[:, :, 2] -= flow_out * dt
        gain[:, :-1] -= flow_z * dt
        gain[:, 1:] += flow_z * dt
        gain[:, 0] -= flow_top * dt
        gain[:, 2] -= flow_bottom * dt
        temp = temp + gain / (c_cell * 1000)
        over = np.clip(temp - boil[:, None, None], 0, None)
        temp -= over * (1 - np.exp(-dt / 60.0))
        # convection while liquid, and the blade
        blend = np.where(stirred, 1 - np.exp(-dt / 40.0), (1 - np.exp(-dt / 500.0)) * liquid)
        weight = c_cell / c_cell.sum(axis=(1, 2), keepdims=True)
        mean = (temp * weight).sum(axis=(1, 2), keepdims=True)
        temp += blend[:, None, None] * (mean - temp)
    return [
        Run(
            s,
            worlds[i],
            t,
            cells_out[:, i],
            wall_out[:, i],
            air[:, i],
            sun[:, i],
            soap_out[:, i],
            lonely_out[:, i],
            heat_out[:, i],
        )
        for i, s in enumerate(batch)
    ]


@dataclass(frozen=True)
class Truth:
    """Which batch alarms were due, and since when (seconds after the pour); good when none was."""

    due: dict[str, float]
    good: bool
    final: float
    final_unmended: float
    core_over_85_s: float | None
    any_over_95_s: float | None
    peak_core_c: float
    soap_at_40min: float

    @property
    def cause(self) -> str:
        return "none" if self.good else "some"


def _first(t: np.ndarray, mask: np.ndarray) -> float | None:
    hits = np.flatnonzero(mask)
    return float(t[hits[0]]) if len(hits) else None


def judge_truth(run: Run, unmended: Run | None = None, limit_c: float = 95.0) -> Truth:
    """What was due, by the table of the design. ``unmended``: the same batch had nobody blended it again."""
    s, t = run.scenario, run.t_s
    base = unmended or run
    blended = s.blend_to_s
    after = t >= blended
    due: dict[str, float] = {}
    at40 = float(np.interp(blended + 2400, base.t_s, base.soap))
    if base.soap[-1] < 0.85 and at40 < 0.70:
        due["not_taken"] = blended + 900
    over = _first(t, after & (run.hottest_c > limit_c))
    if over is not None:
        due["too_hot"] = over
    # From when the core stays below 45 degC, up to a re-blend; before the first warming it is merely a cold start.
    again = [d.at_s for d in s.doings if d.kind == "reblended"]
    bounds = [blended, *again, t[-1]]
    for start, end in pairwise(bounds):
        part = (t >= start) & (t <= end)
        below = run.core_c[part] < 45.0
        if not below[-1]:
            continue
        last_warm = np.flatnonzero(~below)
        k = int(last_warm[-1]) + 1 if len(last_warm) else 0
        if run.soap[part][k] < 0.85 and (end - t[part][k] > 1800 or end == t[-1]):
            due.setdefault("cooled_early", float(t[part][k]))
    if run.soap[-1] < 0.90:
        due["incomplete"] = blended + 3600
    lonely = _first(t, after & (run.unpartnered > 0.15))
    if lonely is not None:
        due["separated"] = lonely
    hot_core = _first(t, after & (run.core_c > 85.0))
    return Truth(due, not due, float(run.soap[-1]), float(base.soap[-1]), hot_core, over, float(run.core_c.max()), at40)


def simulate_with_truth(worlds: list[World], batch: list[Scenario], hours: float = 72.0) -> list[tuple[Run, Truth]]:
    """Runs and truths, in order; a re-blended batch is also run without, to know what it would have come to."""
    out: list[tuple[Run, Truth] | None] = [None] * len(batch)
    for kinetics in sorted({w.kinetics for w in worlds}):
        members = [i for i, w in enumerate(worlds) if w.kinetics == kinetics]
        mended = [i for i in members if any(d.kind == "reblended" for d in batch[i].doings)]
        twins = [replace(batch[i], doings=tuple(d for d in batch[i].doings if d.kind != "reblended")) for i in mended]
        runs = simulate([worlds[i] for i in members + mended], [batch[i] for i in members] + twins, hours)
        unmended = dict(zip(mended, runs[len(members) :], strict=True))
        for i, run in zip(members, runs[: len(members)], strict=True):
            out[i] = (run, judge_truth(run, unmended.get(i)))
    return [x for x in out if x is not None]
