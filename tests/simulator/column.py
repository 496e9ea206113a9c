"""A second, independent truth: potash paste as a column of five layers by four rings, seeded.

It shares no line with the forward model of ``monitor.heat`` and none with the physics of ``bucket.py`` (from there it
takes only the forms in which a run and its truth are told), so that nothing gets tuned to one simulator. Its own are:

* twenty finite volumes; one effective conductivity that falls smoothly from stirred liquid to set paste, and in some
  worlds softens again when hot;
* three laws of reaction, all with what is left of potash *and* of oil in them: ``micelle`` (the soap that helps
  saturates), ``film`` (a shell of soap round each drop slows what comes after), ``spread`` (a logistic emulsion that
  grows, and oil that reacts only once it is in it). Lumps outside the emulsion creep on slowly, or not at all;
* an emulsion that breaks drains out of every layer, faster at the top and the bottom, until its share is gone or the
  paste has set;
* side loss by Churchill and Chu (1975) with radiation, top and bottom by the convective parts of ISO 6946, wind by a
  cube blend; a wall, and a cover, that hold heat of their own; steam by the Lewis relation, less through a skin;
* growers who choose the warmth of the pour for the size of the batch, as common practice does, so that a good batch
  mostly peaks between 80 and 93 degC whatever the season.

Formulas from memory unless the project's reference notes say they were seen. Every number drawn here is invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulator.bucket import Doing, Run, Scenario, Truth, World, judge_truth

Array = NDArray[np.float64]

LAYERS, RINGS = 5, 4
R_GAS = 8.314462618
PREFIX = "column-"
LAWS = ("micelle", "film", "spread")
STYLES = tuple(f"{PREFIX}{law}-{place}" for law in LAWS for place in ("shed", "yard"))

# Shares of the kinds; "hot" is more frequent than in life so that there are enough of them to count.
SHARES = {"good": 0.37, "hot": 0.15, "poor": 0.14, "separated": 0.21, "weak": 0.08, "cold": 0.05}

# Codex CXS 210 and CXS 33, mg KOH per g; a true value is drawn within the range.
SAPONIFICATION = {
    "rapeseed": (182.0, 193.0), "sunflower": (187.0, 194.0), "olive": (184.0, 196.0), "soya": (189.0, 195.0),
    "linseed": (185.0, 197.0), "maize": (187.0, 195.0), "coconut": (248.0, 265.0), "palm": (190.0, 209.0),
}  # fmt: skip
BUCKETS_L = (10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, 60.0)
COVER = {"bare": (0.0, 0.0), "blanket": (0.40, 2.0), "box": (0.85, 5.0)}  # m2 K/W and kJ/(m2 K)


@dataclass(frozen=True)
class ColumnWorld(World):
    """One way nature may be; what ``World`` holds, and what this structure needs more."""

    start: float = 0.04  # reaction without any soap yet, relative
    half: float = 0.25  # micelle: soap share at which its help is half of all; film: resistance of the shell
    liquid_w_mk: float = 6.0  # effective conductivity of liquid paste
    soft_w_mk: float = 0.0  # gained again above some 75 degC
    transport_per_s: float = 1.9e-3  # how fast potash gets to the oil at 60 degC, however fast it would react there
    sets_at: float = 0.45  # soap share at which half set
    skin: float = 0.3  # evaporation left once a skin has formed
    film: float = 1.0  # scale of the outer film coefficients
    wind_m_s: float = 0.1
    cp_slope: float = 0.0008  # relative, per kelvin


@dataclass(frozen=True)
class ColumnScenario(Scenario):
    """One batch; ``rate`` is per second at 60 degC, ``coarse`` the share left in lumps."""

    transport_per_s: float = 1.9e-3
    creep: float = 0.0  # per second at 60 degC, of the lumps
    layer_share: float = 0.0  # of the limiting reagent, that drains out of the emulsion at most
    layer_tau_s: float = 900.0
    mended_rate: float = 0.0
    second_pour_s: float = -1.0
    second_share: float = 0.0
    second_c: float = 50.0


@dataclass
class Ledger:
    """Where the heat came from and went, kJ, at the end of a run, one number a batch."""

    reacted: Array
    dissolved: Array
    blended: Array
    lost: Array
    steamed: Array
    held: Array


def column_world(style: str, seed: int) -> ColumnWorld:
    """The world of this style and seed. The heat per mole is one for all its batches, 50 to 65 kJ."""
    if style not in STYLES:
        raise ValueError(f"no such world style: {style}; there are {', '.join(STYLES)}")
    rng = np.random.default_rng([seed, 613, STYLES.index(style)])
    u = rng.uniform
    _, law, place = style.split("-")
    return ColumnWorld(
        name=style,
        kinetics=law,
        heat_kj_mol=float(u(50.0, 65.0)),
        heat_spread=0.0,
        activation_kj_mol=float(u(43.0, 50.0)),
        conductivity=float(u(0.25, 0.42) + rng.choice([0.0, 0.2, 0.6])),  # some pastes still creep
        stirs_after_set=0.0,
        loss=place,
        vapour=float(u(0.5, 1.6)),
        cp_start=float(u(1.94, 2.08)),  # of the oil alone
        cp_gain=float(u(0.04, 0.13)),
        wall_scale=float(u(0.8, 1.5)),
        start=float(u(0.025, 0.07)),
        half=float(u(0.15, 0.45)),
        liquid_w_mk=float(u(2.5, 9.0)),
        soft_w_mk=float(rng.choice([0.0, 0.0, 0.15, 0.4])),
        transport_per_s=1e-3 * float(np.exp(u(np.log(1.1), np.log(3.2)))),
        sets_at=float(u(0.35, 0.6)),
        skin=float(u(0.15, 0.5)),
        film=float(u(0.85, 1.2)),
        wind_m_s=float(u(0.02, 0.15) if place == "shed" else u(0.2, 0.7)),
        cp_slope=float(u(0.0003, 0.0012)),
    )


# --- drawing a batch ----------------------------------------------------------------------------------------------


def _vessel_for(litres_of_mix: float, rng: np.random.Generator) -> float:
    """The bucket a maker would take: at most half full, if there is one that large; sometimes a size up."""
    fits = [x for x in BUCKETS_L if x >= 2.0 * litres_of_mix] or [BUCKETS_L[-1]]
    return fits[1] if len(fits) > 1 and rng.random() < 0.3 else fits[0]


def _radius_m(litres: float) -> float:
    """Inner radius of a bucket 1.1 times as tall as wide."""
    return float(((litres / 1000.0) / (2.2 * np.pi)) ** (1.0 / 3.0))


def _rise_guess_k(
    heat_kj: float, heat_capacity: float, *, kg: float, litres: float, insulation: str, air_c: float, lid_gap: float
) -> float:
    """What a maker knows from earlier batches: how far above the pour such a batch peaks, in kelvin."""
    radius = _radius_m(litres)
    depth = kg / 980.0 / (np.pi * radius**2)
    cover = COVER[insulation][0]
    side, top = 2 * np.pi * radius * depth, np.pi * radius**2
    ua = side / (0.10 + cover) + top * (1.0 / (0.20 + cover) + 28.0 * lid_gap) + top / (0.35 + 0.5 * cover)
    # The core peaks before the outside has cooled much of it: some of the loss of forty minutes is felt there.
    # The three numbers below were read off 150 good runs of this simulator.
    loss_k = ua * (75.0 - air_c) * 2400.0 / (heat_capacity * 1000.0)
    return 0.89 * heat_kj / heat_capacity - 0.68 * loss_k + 2.1


def draw_column(kind: str, seed: int, world: ColumnWorld, name: str = "Quillmarsh") -> ColumnScenario:
    """One batch of this kind: "good", "hot", "poor", "separated", "weak" or "cold"."""
    rng = np.random.default_rng([seed, 617])
    u, n = rng.uniform, rng.normal

    def spread(low: float, high: float) -> float:
        return low * float((high / low) ** rng.random())

    # The day.
    month = int(rng.integers(1, 13))
    day = 1_767_225_600.0 + 86400.0 * ((month - 1) * 30.4 + int(rng.integers(0, 28)))
    poured = day + 3600.0 * float(np.clip(n(13.0, 3.5), 7.0, 21.0))
    poured -= poured % 60.0
    season = 0.5 - 0.5 * np.cos(2 * np.pi * (month - 0.8) / 12.0)
    air = float(n(4.0 + 15.0 * season, 3.5))

    # The recipe as entered.
    oil_kg = spread(2.0, 25.0)
    if kind == "hot" and rng.random() < 0.5:
        oil_kg = spread(9.0, 25.0)
    names = [str(rng.choice(list(SAPONIFICATION), p=[0.38, 0.22, 0.12, 0.09, 0.06, 0.05, 0.05, 0.03]))]
    shares = [1.0]
    if names[0] in ("coconut", "palm") or rng.random() < 0.25:
        other = "rapeseed" if names[0] != "rapeseed" else "coconut"
        part = float(u(0.1, 0.35))
        names, shares = (
            ([other, names[0]], [1 - part, part])
            if names[0] in ("coconut", "palm")
            else ([*names, other], [1 - part, part])
        )
    oils = tuple((o, round(oil_kg * w, 2)) for o, w in zip(names, shares, strict=True))
    oil_kg = sum(kg for _, kg in oils)
    mid_mol = sum(kg * sum(SAPONIFICATION[o]) / 2 for o, kg in oils) / 56.105
    purity = float(rng.choice([0.85, 0.88, 0.90, 0.92], p=[0.15, 0.15, 0.6, 0.1]))
    lye_ratio = float(np.clip(n(0.955, 0.025), 0.88, 1.02))
    koh_kg = round(mid_mol * lye_ratio * 0.056105 / purity, 3)
    water_kg = round(oil_kg * float(u(0.28, 0.36)), 2)
    promised = min(koh_kg * purity / 0.056105, mid_mol)

    # The truth behind it: scales and hands, and a bag that has drawn water.
    clumsy = 1.0 if rng.random() < 0.85 else 2.5
    true_oil = oil_kg * (1 + 0.012 * clumsy * float(n()))
    true_water = water_kg * (1 + 0.02 * clumsy * float(n()))
    ester = (
        sum(kg * (lo + (hi - lo) * float(rng.beta(3, 3))) for (o, kg) in oils for lo, hi in [SAPONIFICATION[o]])
        / 56.105
        * (true_oil / oil_kg)
    )
    if kind == "weak":
        strength = float(u(0.70, 0.93))
    else:
        strength = 0.0
        for _ in range(50):
            strength = (1.015 - 0.12 * float(rng.beta(1.3, 4.0))) * (1 + 0.008 * clumsy * float(n()))
            if min(strength * koh_kg * purity / 0.056105, ester) / promised > 0.945:
                break
    koh = strength * koh_kg * purity / 0.056105

    # The vessel and what is round it.
    mix_kg = true_oil + koh_kg + true_water
    litres = _vessel_for(mix_kg / 0.98, rng)
    small, winter = oil_kg < 6.0, air < 8.0
    chance = [0.66, 0.26, 0.08]
    if small or winter:
        chance = [0.46, 0.38, 0.16] if small and winter else [0.56, 0.32, 0.12]
    if kind == "hot":
        chance = [0.35, 0.40, 0.25]
    insulation = str(rng.choice(["bare", "blanket", "box"], p=chance))
    lid_gap = spread(0.02, 0.25) if rng.random() < 0.9 else float(u(0.5, 1.0))

    # How warm it is poured.
    cp_error = float(np.clip(n(1.0, 0.035), 0.92, 1.08))
    capacity = cp_error * (world.cp_start * true_oil + 2.95 * (koh_kg + true_water)) * (1 + 0.5 * world.cp_gain)
    blend_from = float(u(60, 240))
    blend_s = float(u(300, 780))
    blend_w = float(u(60, 190)) * float(u(0.5, 1.0))
    grains = float(rng.choice([0.0, 0.02, 0.05, 0.12], p=[0.45, 0.25, 0.2, 0.1]) * u(0.6, 1.3))
    intended = min(promised, koh if kind != "weak" else promised)
    rise = _rise_guess_k(
        intended * world.heat_kj_mol,
        capacity,
        kg=mix_kg,
        litres=litres,
        insulation=insulation,
        air_c=air,
        lid_gap=lid_gap,
    )
    rise += (blend_w * blend_s / 1000.0 + grains * koh * 42.0) / capacity
    if kind == "hot":
        aim = float(u(95.5, 98.5)) if rng.random() < 0.45 else float(u(98.5, 106.0))
        pour = float(np.clip(aim - rise, 44.0, 76.0))
    elif kind == "cold":
        pour = float(u(12.0, 34.0))
    else:
        aim = float(np.clip(n(86.5, 2.8), 77.0, 91.0))
        pour = float(np.clip(aim - rise, 42.0, 70.0))

    # What the blending made of it.
    base = {"micelle": 4.2e-3, "film": 3.0e-3, "spread": 6.2e-3}[world.kinetics]
    quality = float(np.exp(n(0.0, 0.25)))
    coarse = 0.045 * float(rng.beta(1.1, 2.0))
    creep = spread(1e-6, 1.5e-5)
    layer_share, layer_at, layer_tau = 0.0, np.inf, 900.0
    if kind == "poor":
        how = rng.random()
        quality *= spread(0.25, 1.0) if how < 0.75 else spread(0.06, 0.3)
        coarse = float(u(0.13, 0.85)) if how < 0.92 else float(u(0.03, 0.15))
        creep = 0.0 if rng.random() < 0.4 else spread(4e-7, 8e-6)
    elif kind == "cold":  # cold oil is thick: what the blender makes of it is coarser, too
        quality *= spread(0.12, 0.8)
        coarse = 0.35 * float(rng.beta(0.9, 1.8))
    elif kind == "separated":
        quality *= spread(0.3, 1.0)
        coarse = 0.15 * float(rng.beta(1.2, 2.0))
        layer_share = float(u(0.18, 0.75))
        layer_at = blend_from + blend_s + (float(u(60, 900)) if rng.random() < 0.75 else float(u(900, 3600)))
        layer_tau = spread(180, 2400)
        creep = 0.0 if rng.random() < 0.5 else spread(2e-7, 3e-6)

    doings: list[Doing] = []
    if rng.random() < 0.35:
        doings += [
            Doing("lid-off", float(u(1500, 8 * 3600)), float(u(60, 900))) for _ in range(int(rng.integers(1, 3)))
        ]
    if insulation == "bare" and rng.random() < 0.12:
        at = float(u(1800, 4 * 3600))
        doings.append(Doing("covered", at))
        if rng.random() < 0.3:
            doings.append(Doing("uncovered", at + float(u(2, 10)) * 3600))
    elif insulation == "blanket" and rng.random() < 0.1:
        at = float(u(3600, 8 * 3600))
        doings += [Doing("uncovered", at), Doing("covered", at + float(u(600, 7200)))]
    again_s = -1.0
    if kind in ("poor", "separated") and rng.random() < 0.25:
        again_s = spread(2700, 20 * 3600) + blend_from + blend_s
        doings.append(Doing("reblended", again_s, float(u(240, 600))))
    second_s, second_share, second_c = -1.0, 0.0, pour
    if rng.random() < 0.04:
        second_s, second_share = float(u(240, 900)), float(u(0.15, 0.4))
        second_c = pour + float(u(-12, 6))
        blend_from = second_s + float(u(60, 180))
        if np.isfinite(layer_at):
            layer_at += second_s
        doings = [replace(d, at_s=d.at_s + 1200) for d in doings]
        doings.append(Doing("poured", second_s))
    doings.sort(key=lambda d: d.at_s)

    return ColumnScenario(
        name=name, kind=kind, seed=seed, poured_unix_s=poured,
        oils=oils, koh_kg=koh_kg, koh_purity=purity, water_kg=water_kg, litres=litres, insulation=insulation,
        true_oil_kg=true_oil, true_ester_mol=ester, true_koh_mol=koh, true_water_kg=true_water,
        heat_kj_mol=world.heat_kj_mol, cp_factor=cp_error, pour_c=pour,
        grains=grains, grains_tau_s=spread(240, 1800),
        blend_from_s=blend_from, blend_to_s=blend_from + blend_s, blend_w=blend_w,
        rate=base * quality, coarse=coarse, reblend_mends=float(u(0.5, 0.97)),
        split_at_s=float(layer_at), split_rate=1.0 / layer_tau, lid_gap=lid_gap,
        air_mean_c=air, air_swing_k=float(u(1.0, 4.0) if world.loss == "shed" else u(3.0, 7.5)),
        air_noise_k=float(u(0.1, 0.6)), draught=float(np.exp(n(0.0, 0.3))),
        sun_k=float(u(1.0, 14.0) if rng.random() < 0.4 else 0.0),
        board_r=float(u(0.10, 0.45)), boil_c=float(u(99.6, 100.6)), doings=tuple(doings), promised_mol=promised,
        transport_per_s=world.transport_per_s * quality**0.5,
        creep=creep, layer_share=layer_share, layer_tau_s=layer_tau, mended_rate=base * float(u(0.5, 1.1)),
        second_pour_s=second_s, second_share=second_share, second_c=second_c,
    )  # fmt: skip


# --- the run ------------------------------------------------------------------------------------------------------


def steps(hours: float) -> Array:
    """The times computed, seconds after the pour: close together while it is lively."""
    out = [0.0]
    for until_h, dt in ((2.0, 8.0), (6.0, 16.0), (24.0, 45.0), (1e9, 90.0)):
        end = min(until_h, hours) * 3600.0
        if end > out[-1]:
            out += list(np.arange(out[-1] + dt, end + dt / 2, dt))
        if until_h >= hours:
            break
    return np.array(out)


def weather(scenario: Scenario, t: Array) -> tuple[Array, Array, Array]:
    """Air at the bucket, what the sun adds to a probe that hangs in it, and wind relative to the mean."""
    rng = np.random.default_rng([scenario.seed, 619])
    grid = np.arange(0.0, t[-1] + 1800.0, 900.0)
    hour = (scenario.poured_unix_s % 86400.0) / 3600.0
    clock = hour + grid / 3600.0
    shape = np.cos(2 * np.pi * (clock - 15.0) / 24.0) + 0.22 * np.cos(4 * np.pi * (clock - 13.5) / 24.0)
    front = float(rng.normal(0, 3.0)) / (1 + np.exp(-(grid / 3600.0 - float(rng.uniform(6, 66))) / 3.0))
    kicks = rng.normal(0, 1, (3, len(grid)))
    wander = np.zeros((3, len(grid)))
    for i in range(1, len(grid)):
        wander[:, i] = wander[:, i - 1] * np.array([0.8, 0.9, 0.75]) + kicks[:, i] * np.array([0.6, 0.44, 0.66])
    air = scenario.air_mean_c + scenario.air_swing_k * shape + front + scenario.air_noise_k * wander[0]
    high = np.clip(np.cos(2 * np.pi * (clock - 12.7) / 24.0), 0, None) ** 1.5
    sun = scenario.sun_k * high / (1 + np.exp(-2.5 * wander[1] - 0.4))
    wind = scenario.draught * np.exp(0.45 * wander[2])
    return np.interp(t, grid, air), np.interp(t, grid, sun), np.interp(t, grid, wind)


def _vapour_kg_m3(celsius: Array) -> Array:
    """Saturated steam density, from Buck's formula (1981) and the ideal gas."""
    pa = 611.21 * np.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius))
    return pa * 0.018015 / (R_GAS * (celsius + 273.15))


def _columns(values: Sequence[float]) -> Array:
    return np.array(values, dtype=float)[:, None, None]


class _Emulsion:
    """What has reacted, cell by cell, as shares of the limiting reagent: in the emulsion, in lumps, in layers."""

    def __init__(
        self, worlds: Sequence[ColumnWorld], batch: Sequence[ColumnScenario], shape: tuple[int, int, int]
    ) -> None:
        names = np.array([w.kinetics for w in worlds])
        self.laws = [(law, np.flatnonzero(names == law)) for law in LAWS if law in names]
        self.e_over_r = _columns([w.activation_kj_mol * 1000.0 / R_GAS for w in worlds])
        self.start, self.half = _columns([w.start for w in worlds]), _columns([w.half for w in worlds])
        self.rate = _columns([s.rate for s in batch])
        self.transport = _columns([s.transport_per_s for s in batch])
        self.creep = _columns([s.creep for s in batch])
        limiting = np.array([min(s.true_koh_mol, s.true_ester_mol) for s in batch])
        more = np.array([max(s.true_koh_mol, s.true_ester_mol) for s in batch])
        self.limiting_mol = limiting
        self.excess = (more / limiting - 1.0)[:, None, None]
        # A lye with less potash in its water is slower.
        self.strength = np.sqrt(_columns([s.true_koh_mol / s.promised_mol for s in batch]))
        coarse = _columns([s.coarse for s in batch])
        self.fine = np.broadcast_to(1.0 - coarse, shape).copy()
        self.lumps = np.broadcast_to(coarse, shape).copy()
        self.layers = np.zeros(shape)
        self.fine_soap, self.other_soap = np.zeros(shape), np.zeros(shape)
        self.in_emulsion = np.broadcast_to(self.start * 2.0, shape).copy()  # "spread" only

    @property
    def soap(self) -> Array:
        return self.fine_soap + self.other_soap

    def react(self, cells_c: Array, blended: Array, solid: Array, dt: float) -> Array:
        """One step; ``blended`` 0..1 of the blending done, ``solid`` potash not yet dissolved. Returns what reacted."""
        warm = np.exp(-self.e_over_r * (1.0 / (cells_c + 273.15) - 1.0 / 333.15))
        k = self.rate * self.strength * warm * blended
        whole = self.fine + self.fine_soap
        done = self.fine_soap / np.maximum(whole, 1e-9)
        left = np.clip(1.0 - done - solid, 0.0, None)
        partner = left + self.excess
        speed = np.empty_like(k)
        for law, of in self.laws:
            speed[of] = self._speed(law, of, dt, k=k[of], done=done[of], left=left[of], partner=partner[of])
        # McBain and others: transport to the drop sets the pace. It quickens with warmth far less than the reaction.
        speed = speed / (1.0 + speed / (self.transport * warm**0.35 * np.maximum(left, 1e-9)))
        fine = self.fine * -np.expm1(-speed * whole * dt / np.maximum(self.fine, 1e-9))
        lump = self.lumps * -np.expm1(-self.creep * warm * (blended > 0.99) * dt)
        self.fine -= fine
        self.fine_soap += fine
        self.lumps -= lump
        self.other_soap += lump
        reacted: Array = fine + lump
        return reacted

    def _speed(
        self, law: str, of: NDArray[np.intp], dt: float, *, k: Array, done: Array, left: Array, partner: Array
    ) -> Array:
        """Share of the emulsion that reacts in a second, by one law, for the batches ``of``."""
        start, half = self.start[of], self.half[of]
        out: Array
        if law == "micelle":
            out = k * (start + done) / (start + done + half) * left * partner
        elif law == "film":
            shell = 1.0 + 1.6 * half * done**2 / (left + 0.03)
            out = k * np.sqrt(start + done) * left ** (2.0 / 3.0) * partner / (partner + 0.1) / shell
        else:
            y = self.in_emulsion[of]
            self.in_emulsion[of] = np.minimum(y + 1.3 * k * y * (1.0 - y) * dt, 1.0)
            out = 1.1 * k * np.clip(y - done, 0.0, None) * (0.15 + partner)
        return out

    def drain(self, per_s: Array, room: Array, share: Array, dt: float) -> None:
        """The emulsion breaks: unreacted oil and lye leave it for layers, at most ``room`` more (mean of the batch)."""
        gone = self.fine * -np.expm1(-per_s * dt)
        mean = (gone * share).sum(axis=(1, 2), keepdims=True)
        gone *= np.minimum(1.0, np.clip(room, 0.0, None) / np.maximum(mean, 1e-12))
        self.fine -= gone
        self.layers += gone

    def mend(self, share: Array) -> None:
        """Blended again: so much of the lumps and the layers goes into the emulsion."""
        back = share * self.lumps + share * self.layers
        self.lumps *= 1.0 - share
        self.layers *= 1.0 - share
        self.fine += back


def simulate_column(
    worlds: Sequence[ColumnWorld], batch: Sequence[ColumnScenario], hours: float = 72.0
) -> tuple[list[Run], Ledger]:
    """Run batches side by side, whatever their worlds."""
    n, t = len(batch), steps(hours)
    shape = (n, LAYERS, RINGS)
    skies = [weather(s, t) for s in batch]
    air_all, wind_all = np.array([x[0] for x in skies]), np.array([x[2] for x in skies])

    # Geometry, metres.
    radius = np.array([_radius_m(s.litres) for s in batch])
    kg = np.array([s.true_oil_kg + s.koh_kg + s.true_water_kg for s in batch])
    depth = kg / 980.0 / (np.pi * radius**2)
    dr, dz = radius / RINGS, depth / LAYERS
    ring = (2 * np.arange(RINGS) + 1) / RINGS**2
    share = np.broadcast_to(ring / LAYERS, shape)
    disc = np.pi * radius**2
    plates = disc[:, None, None] * ring  # horizontal area of each ring
    between = 2 * np.pi * (np.arange(1, RINGS) * dr[:, None])[:, None, :] * dz[:, None, None]  # cylinder faces
    side = (2 * np.pi * radius * dz)[:, None]
    dry = np.clip(2.2 * radius - depth, 0.0, None)  # wall above the paste

    # Heat capacities, kJ/K.
    raw = np.array(
        [
            s.cp_factor * (w.cp_start * s.true_oil_kg + 2.95 * (s.koh_kg + s.true_water_kg))
            for w, s in zip(worlds, batch, strict=True)
        ]
    )
    gain, slope = _columns([w.cp_gain for w in worlds]), _columns([w.cp_slope for w in worlds])
    wall_scale = np.array([w.wall_scale for w in worlds])
    set_k, liquid_k = _columns([w.conductivity for w in worlds]), _columns([w.liquid_w_mk for w in worlds])
    soft_k, sets_at = _columns([w.soft_w_mk for w in worlds]), _columns([w.sets_at for w in worlds])
    skin, vapour = np.array([w.skin for w in worlds]), np.array([w.vapour for w in worlds])
    film = np.array([w.film for w in worlds])
    wind_m_s = np.array([w.wind_m_s for w in worlds])
    heat = np.array([s.heat_kj_mol for s in batch])

    blend_from, blend_to = _columns([s.blend_from_s for s in batch]), _columns([s.blend_to_s for s in batch])
    blend_kw = _columns([s.blend_w / 1000.0 for s in batch])
    grains, grains_tau = _columns([s.grains for s in batch]), _columns([s.grains_tau_s for s in batch])
    grain_kj = grains * _columns([42.0 * s.true_koh_mol for s in batch])
    split_at, per_s = _columns([s.split_at_s for s in batch]), _columns([s.split_rate for s in batch])
    layer_share = _columns([s.layer_share for s in batch])
    # Oil gathers at the top and lye at the bottom first.
    ends = np.array([1.6, 0.9, 0.6, 0.8, 1.3])[None, :, None]
    gap0 = np.array([s.lid_gap for s in batch])
    board, boil = np.array([s.board_r for s in batch]), _columns([s.boil_c + 4.0 for s in batch])
    second = np.array([s.second_pour_s for s in batch])
    second_share, second_c = np.array([s.second_share for s in batch]), _columns([s.second_c for s in batch])

    def times(kind: str, i: int) -> list[Doing]:
        return [d for d in batch[i].doings if d.kind == kind]

    # What is round the bucket and over it, at every step.
    cover_r, cover_c, gap = (np.empty((n, len(t))) for _ in range(3))
    again = np.zeros((n, len(t)))
    for i, s in enumerate(batch):
        kind = np.full(len(t), ("bare", "blanket", "box").index(s.insulation))
        for d in s.doings:
            if d.kind in ("covered", "uncovered"):
                kind[t >= d.at_s] = max(1, ("bare", "blanket", "box").index(s.insulation)) if d.kind == "covered" else 0
        cover_r[i] = np.array([COVER[x][0] for x in COVER])[kind]
        cover_c[i] = np.array([COVER[x][1] for x in COVER])[kind]
        gap[i] = gap0[i]
        gap[i][t < s.blend_to_s + 60] = 1.0
        for d in times("lid-off", i):
            gap[i][(t >= d.at_s) & (t < d.at_s + d.for_s)] = 1.0
        for d in times("reblended", i):
            inside = (t >= d.at_s) & (t < d.at_s + d.for_s)
            gap[i][inside] = 1.0
            again[i][inside] = 1.0

    paste = _Emulsion(worlds, batch, shape)
    cells = np.broadcast_to(_columns([s.pour_c for s in batch]), shape).copy()
    first_air = air_all[:, 0][:, None]
    wall = np.repeat(0.7 * cells[:, 0, 0][:, None] + 0.3 * first_air, LAYERS, axis=1)
    floor = air_all[:, 0] * 0.5 + np.array([s.air_mean_c for s in batch]) * 0.5
    to_promise = paste.limiting_mol / np.array([s.promised_mol for s in batch])
    mended = np.zeros(n, dtype=bool)
    mends = np.array([s.reblend_mends for s in batch])
    mended_rate = np.array([s.mended_rate for s in batch])

    out_cells = np.empty((len(t), n, 3, 3))
    out_wall, out_soap, out_lonely, out_w = (np.empty((len(t), n)) for _ in range(4))
    ledger = Ledger(*(np.zeros(n) for _ in range(6)))
    held0 = held = np.zeros(n)
    reacted_kw = np.zeros(n)

    def tell(k: int) -> None:
        rings = np.stack([cells[..., 0], (3 * cells[..., 1] + 5 * cells[..., 2]) / 8, cells[..., 3]], axis=-1)
        out_cells[k] = np.stack([rings[:, :2].mean(axis=1), rings[:, 2], rings[:, 3:].mean(axis=1)], axis=1)
        out_wall[k] = wall.mean(axis=1)
        out_soap[k] = to_promise * (paste.soap * share).sum(axis=(1, 2))
        out_lonely[k] = (paste.layers * share).sum(axis=(1, 2))
        out_w[k] = 1000.0 * reacted_kw

    tell(0)
    for k in range(len(t) - 1):
        now, dt = t[k], t[k + 1] - t[k]
        air, wind = air_all[:, k], wind_all[:, k] * wind_m_s
        so_far = np.where((second > now) & (second > 0), 1.0 - second_share, 1.0)
        capacity = (raw * so_far)[:, None, None] * share * (1 + gain * paste.soap + slope * (cells - 50.0))

        # A second pour comes in at once and finds the first.
        joins = (second > now) & (second <= t[k + 1])
        if joins.any():
            part = second_share[:, None, None]
            cells = np.where(joins[:, None, None], (1 - part) * cells + part * second_c, cells)
            capacity = np.where(joins[:, None, None], capacity / (1 - part), capacity)

        # The blender: work, warmth evened out, emulsion made.
        running = ((now >= blend_from) & (now < blend_to)) | (again[:, k][:, None, None] > 0)
        done = np.clip((now - blend_from) / (blend_to - blend_from), 0.0, 1.0)
        work = blend_kw * running * share
        start_again = (again[:, k] > 0) & ~mended
        if start_again.any():
            paste.mend((np.where(start_again, mends, 0.0))[:, None, None])
            paste.rate[start_again, 0, 0] = np.maximum(paste.rate[start_again, 0, 0], mended_rate[start_again])
            split_at[start_again] = np.inf
            mended |= start_again

        # Reaction, grains, layers.
        solid = grains * np.exp(-now / grains_tau)
        reacted = paste.react(cells, np.where(done > 0, 0.05 + 0.95 * done, 0.01), solid, dt)
        reacted_kj = reacted * share * (heat * paste.limiting_mol)[:, None, None]
        grain_step = grain_kj * (np.exp(-now / grains_tau) - np.exp(-(now + dt) / grains_tau)) * share
        firm = 1.0 / (1.0 + np.exp(-(paste.soap - sets_at) / 0.06))
        room = layer_share - (paste.layers * share).sum(axis=(1, 2), keepdims=True)
        breaking = (now >= split_at) & (room > 0)
        if breaking.any():
            paste.drain(np.where(breaking, per_s * ends * (1.0 - 0.9 * firm**2), 0.0), room, share, dt)

        # Conduction inside. Liquid paste is bounded to what this step length carries: it is even by then anyway.
        hot = np.clip((cells - 70.0) / 15.0, 0.0, 1.0)
        k_eff = set_k + liquid_k * (1 - firm) ** 2 + soft_k * hot * firm
        rho_cp = (raw / (kg / 980.0))[:, None, None]  # kJ/(m3 K)
        most = 0.16 * rho_cp * 1000.0 * np.minimum(dr, dz)[:, None, None] ** 2 / dt
        k_eff = np.minimum(np.where(running, liquid_k * 4, k_eff), most)
        k_r = 0.5 * (k_eff[..., 1:] + k_eff[..., :-1])
        k_z = 0.5 * (k_eff[:, 1:] + k_eff[:, :-1])
        inward = k_r * between / dr[:, None, None] * (cells[..., 1:] - cells[..., :-1]) / 1000.0  # kW to the inner
        upward = k_z * plates / dz[:, None, None] * (cells[:, 1:] - cells[:, :-1]) / 1000.0  # kW to the upper
        gained = (reacted_kj + grain_step) / dt + work
        gained[..., :-1] += inward
        gained[..., 1:] -= inward
        gained[:, :-1] += upward
        gained[:, 1:] -= upward

        # Side: paste, wall, cover, air. The wall is taken to the end of the step, so that thin walls stay calm.
        height = np.maximum(depth, 0.05)[:, None]
        warmer = np.abs(wall - air[:, None]) * 0.1 / (0.1 + cover_r[:, k][:, None]) + 0.5
        ra = 9.81 / 310.0 * warmer * height**3 / (1.75e-5 * 2.5e-5)
        natural = 0.027 / height * (0.68 + 0.515 * ra**0.25)
        forced = 7.0 * np.sqrt(wind)[:, None] / (height / 0.3) ** 0.3
        surface = air[:, None] + warmer + 273.15
        radiant = 0.9 * 5.670374e-8 * (surface + air[:, None] + 273.15) * (surface**2 + (air[:, None] + 273.15) ** 2)
        outer = film[:, None] * (np.cbrt(natural**3 + forced**3) + radiant)
        g_out = side / (1.0 / outer + cover_r[:, k][:, None]) / 1000.0
        # The dry wall above works as a fin a few centimetres tall.
        g_out[:, 0] += (2 * np.pi * radius * np.minimum(dry, 0.03)) * outer[:, 0] * 0.6 / 1000.0
        near = k_eff[..., -1]
        g_in = side / (0.5 * dr[:, None] / near + 0.0045 + 0.004) / 1000.0
        c_wall = side * (4.5 * wall_scale[:, None] + 0.35 * cover_c[:, k][:, None])
        new_wall = (c_wall / dt * wall + g_in * cells[..., -1] + g_out * air[:, None]) / (c_wall / dt + g_in + g_out)
        to_wall = g_in * (cells[..., -1] - new_wall)
        side_lost = g_out * (new_wall - air[:, None])
        gained[..., -1] -= to_wall
        wall_held = (c_wall * (new_wall - wall)).sum(axis=1)
        wall = new_wall

        # Top: through the lid, and as steam through its gap; bottom: through the board to a slow floor.
        lid_r = np.where(gap[:, k] >= 0.99, 0.105, 0.105 + 0.10 + 0.8 * cover_r[:, k]) / film
        top_k = k_eff[:, 0]
        top = plates[:, 0] / (0.5 * dz[:, None] / top_k + lid_r[:, None]) / 1000.0 * (cells[:, 0] - air[:, None])
        face = np.clip(cells[:, 0] - 0.25 * dz[:, None] / top_k * top / plates[:, 0] * 1000.0, 0.0, 105.0)
        dry_skin = 1.0 - (1.0 - skin[:, None]) * firm[:, 0]
        carried = 0.0045 * (1 + 2.0 * np.sqrt(wind))[:, None] * vapour[:, None] * gap[:, k][:, None] * dry_skin
        steam = carried * np.clip(0.85 * _vapour_kg_m3(face) - 0.6 * _vapour_kg_m3(air)[:, None], 0.0, None)
        steam_kw = steam * 2330.0 * plates[:, 0]
        gained[:, 0] -= top + steam_kw
        floor += (air - floor) * dt / (5 * 3600.0)
        below = 0.006 + board + 0.04 + 0.5 * cover_r[:, k]
        bottom = plates[:, 0] / (0.5 * dz[:, None] / k_eff[:, -1] + below[:, None]) / 1000.0
        bottom = bottom * (cells[:, -1] - floor[:, None])
        gained[:, -1] -= bottom

        before = cells
        cells = cells + gained * dt / capacity
        # Boiling: what goes above the boiling point of the lye leaves as steam within half a minute.
        boiled = np.clip(cells - boil, 0.0, None) * (-np.expm1(-dt / 30.0))
        cells = cells - boiled
        if running.any():
            mean = (capacity * cells).sum(axis=(1, 2), keepdims=True) / capacity.sum(axis=(1, 2), keepdims=True)
            cells = np.where(running, cells + (mean - cells) * -np.expm1(-dt / 25.0), cells)

        held = held + (capacity * (cells - before)).sum(axis=(1, 2)) + wall_held
        ledger.reacted += reacted_kj.sum(axis=(1, 2))
        ledger.dissolved += grain_step.sum(axis=(1, 2))
        ledger.blended += work.sum(axis=(1, 2)) * dt
        ledger.lost += (side_lost.sum(axis=1) + top.sum(axis=1) + bottom.sum(axis=1)) * dt
        ledger.steamed += steam_kw.sum(axis=1) * dt + (boiled * capacity).sum(axis=(1, 2))
        reacted_kw = reacted_kj.sum(axis=(1, 2)) / dt
        tell(k + 1)
    ledger.held = held - held0
    runs = [
        Run(
            scenario=s, world=w, t_s=t, cells_c=out_cells[:, i].copy(), wall_c=out_wall[:, i].copy(),
            air_c=skies[i][0], sun_k=skies[i][1], soap=out_soap[:, i].copy(), unpartnered=out_lonely[:, i].copy(),
            heat_w=out_w[:, i].copy(),
        )
        for i, (w, s) in enumerate(zip(worlds, batch, strict=True))
    ]  # fmt: skip
    return runs, ledger


def column_with_truth(
    worlds: Sequence[ColumnWorld], batch: Sequence[ColumnScenario], hours: float = 72.0
) -> list[tuple[Run, Truth]]:
    """Runs and truths, in order. A batch that is blended again is also run as if nobody had."""
    twice = [i for i, s in enumerate(batch) if any(d.kind == "reblended" for d in s.doings)]
    left = [replace(batch[i], doings=tuple(d for d in batch[i].doings if d.kind != "reblended")) for i in twice]
    runs, _ = simulate_column([*worlds, *(worlds[i] for i in twice)], [*batch, *left], hours)
    alone = dict(zip(twice, runs[len(batch) :], strict=True))
    return [(run, judge_truth(run, alone.get(i))) for i, run in enumerate(runs[: len(batch)])]
