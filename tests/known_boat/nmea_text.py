"""A day's samples as NMEA 0183 text, with right checksums, worked on whole columns."""

from __future__ import annotations

import numpy as np
import polars as pl

HEX = [f"{i:02X}" for i in range(256)]
# What else talks on a boat's bus: passed over by a reader. Invented position report and sentence.
OTHERS = ("AIVDM,1,1,,A,13u?etPv2;0n:dDPwUM1U1Cb069D,0", "PXVN,7,idle")


def checksums(bodies: list[str]) -> list[str]:
    """The XOR of the characters of each body, as two hex digits."""
    packed = np.array([b.encode("ascii") for b in bodies])
    as_bytes = packed.view(np.uint8).reshape(len(bodies), packed.dtype.itemsize)
    # padding is 0 and leaves an XOR as it is
    return [HEX[v] for v in np.bitwise_xor.reduce(as_bytes, axis=1).tolist()]


def nmea_text(
    frame: pl.DataFrame, clock: str, rate_hz: float, *, exact: bool, damage: float, rng: np.random.Generator
) -> bytes:
    """The log of one day.

    `clock`: "rmc" (no time but in RMC, once a second), "tag" (TAG block with source and time), "epoch_ms" and
    "rfc3339" (a stamp before each sentence). `exact` writes digits enough to give the numbers back. `damage` is the
    share of lines torn or with a wrong checksum.
    """
    rows = _sentences(frame, exact)
    n = frame.height
    every = max(round(rate_hz), 1)
    per_tick = [[("$" + b) if b else "" for b in bodies] for bodies in rows]
    for k, bodies in enumerate(rows):
        sums = checksums(bodies)
        per_tick[k] = [f"${b}*{c}" for b, c in zip(bodies, sums, strict=True)]
    if every > 1:
        # position and ground speed come once a second
        per_tick[0] = [s if i % every == 0 else "" for i, s in enumerate(per_tick[0])]
    stamps = _stamps(frame, clock, rate_hz)
    lines = [stamp + s for stamp, tick in zip(stamps, zip(*per_tick, strict=True), strict=True) for s in tick if s]
    if damage > 0:
        lines = _spoil(lines, damage, rng)
        for at in sorted(rng.integers(0, len(lines), size=max(n // 400, 1)).tolist(), reverse=True):
            body = OTHERS[int(rng.integers(0, len(OTHERS)))]
            mark = "!" if body.startswith("AI") else "$"
            lines.insert(at, f"{mark}{body}*{checksums([body])[0]}")
    return ("\r\n".join(lines) + "\r\n").encode("ascii")


def _sentences(frame: pl.DataFrame, exact: bool) -> list[list[str]]:
    """Bodies by kind of sentence, one a row of the frame: RMC, MWV (apparent), VHW, HDG, XDR, MWV (true)."""
    c = {name: frame[name].to_list() for name in frame.columns if name != "time"}
    clock = frame["time"].dt.strftime("%H%M%S%.3f").str.slice(0, 9).to_list()
    day = frame["time"].dt.strftime("%d%m%y").to_list()
    few, some = (6, 6) if exact else (1, 2)
    lat, lon = _minutes(frame["lat"].to_numpy(), 2), _minutes(frame["lon"].to_numpy(), 3)
    rmc = [
        f"GPRMC,{t},A,{la},{ns},{lo},{ew},{s:.{some}f},{g:.{few}f},{d},3.2,W,A"
        for t, (la, p), (lo, q), s, g, d in zip(clock, lat, lon, c["sog"], c["cog"], day, strict=True)
        for ns, ew in [("N" if p else "S", "E" if q else "W")]
    ]
    # a rounded 360.0 is written 0.0, as instruments do
    circle = 10.0**-few
    awa = [(a % 360.0) if (a % 360.0) < 360.0 - circle / 2 else 0.0 for a in c["awa"]]
    mwv = [f"WIMWV,{a:.{few}f},R,{w:.{some}f},N,A" for a, w in zip(awa, c["aws"], strict=True)]
    hdg = [h if h < 360.0 - circle / 2 else 0.0 for h in c["hdg_mag"]]
    vhw = [f"IIVHW,,T,{h:.{few}f},M,{v:.{some}f},N,,K" for h, v in zip(hdg, c["bsp"], strict=True)]
    compass = [f"HCHDG,{h:.{few}f},,,3.2,W" for h in hdg]
    xdr = [f"IIXDR,A,{h:.{few}f},D,HEEL,A,{p:.{few}f},D,PTCH" for h, p in zip(c["heel"], c["pitch"], strict=True)]
    own_angle, own_speed = _instruments_own(frame)
    own = [
        f"WIMWV,{a if a < 359.95 else 0.0:.1f},T,{w:.2f},N,A"
        for a, w in zip(own_angle.tolist(), own_speed.tolist(), strict=True)
    ]
    return [rmc, mwv, vhw, compass, xdr, own]


def _instruments_own(frame: pl.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """The display's true wind: from the bow, at the masthead, uncorrected, as simple instruments have it."""
    awa = np.radians(frame["awa"].to_numpy())
    aws, bsp = frame["aws"].to_numpy(), frame["bsp"].to_numpy()
    ahead, across = aws * np.cos(awa) - bsp, aws * np.sin(awa)
    return np.mod(np.degrees(np.arctan2(across, ahead)), 360.0), np.hypot(ahead, across)


def _minutes(degrees: np.ndarray, width: int) -> list[tuple[str, bool]]:
    units = np.round(np.abs(degrees) * 60.0 * 1e5).astype(np.int64)
    whole, rest = np.divmod(units, 60 * 100000)
    return [
        (f"{w:0{width}d}{r // 100000:02d}.{r % 100000:05d}", p)
        for w, r, p in zip(whole.tolist(), rest.tolist(), (degrees >= 0).tolist(), strict=True)
    ]


def _stamps(frame: pl.DataFrame, clock: str, rate_hz: float) -> list[str]:
    if clock == "rmc":
        return [""] * frame.height
    if clock == "rfc3339":
        return (frame["time"].dt.strftime("%Y-%m-%dT%H:%M:%S%.3f") + "Z ").to_list()
    ms = frame["time"].dt.epoch("ms").to_list()
    if clock == "epoch_ms":
        return [f"{t}\t" for t in ms]
    if clock == "tag":
        bodies = [f"s:nav,c:{t // 1000 if rate_hz <= 1 else t}" for t in ms]
        return [f"\\{b}*{s}\\" for b, s in zip(bodies, checksums(bodies), strict=True)]
    raise ValueError(f"no clock {clock!r}")


def _spoil(lines: list[str], share: float, rng: np.random.Generator) -> list[str]:
    hit = np.flatnonzero(rng.random(len(lines)) < share)
    for i in hit.tolist():
        line = lines[i]
        if rng.random() < 0.5:
            lines[i] = line[: len(line) - int(rng.integers(3, 12))]
        else:
            at = len(line) - 5
            lines[i] = line[:at] + ("7" if line[at] != "7" else "3") + line[at + 1 :]
    return lines
