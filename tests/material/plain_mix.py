"""A mix worked out a second time, whole signals at once, with numpy and scipy and nothing of ours.

It reads the same session and chain documents, and knows only what is linear: gain, eq, width, parallel.
Sources: Audio EQ Cookbook, W3C Working Group Note, 8 June 2021, for bell and shelves; scipy's Butterworth
design for passes; Linkwitz, JAES 24(1), 1976, for the low-mono filter: low-pass squared plus high-pass
squared is the all-pass of the same phase. Pan laws, fades and rides are common practice, no source.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy.signal import butter, sosfilt


class PlainMix:
    """The mix of a session of linear stages.

    Parameters
    ----------
    session
        The session document.
    chains
        Stages of each chain file, by its name.
    files
        Sound of each audio file, by its name: `(frames, 1)` or `(frames, 2)`.
    """

    def __init__(self, session, chains, files, rate_hz):
        self.session, self.chains, self.files, self.rate_hz = session, chains, files, rate_hz
        self.frames = max(self._start(stem) + len(files[stem["file"]]) for stem in session["stems"])
        self._known = {}

    @cached_property
    def mix(self):
        """What leaves the mix bus, `(frames, 2)`."""
        return self._chain(self._fed_to(None), self.session["mix_bus"])

    def _taps(self, name):
        """A stem's, group's or return's sound before its chain, and after chain and fader."""
        if name not in self._known:
            everything = [*self.session["stems"], *self.session["groups"], *self.session["returns"]]
            (bus,) = [each for each in everything if each["name"] == name]
            before = self._placed(bus) if "file" in bus else self._fed_to(name)
            before = before * (not bus.get("mute", False))
            after = self._fader(self._chain(before, bus), bus)
            if "file" in bus:
                usual = "balance" if self.files[bus["file"]].shape[1] == 2 else "constant_power"
                after = after * pan(bus.get("pan", 0.0), bus.get("pan_law", usual))
            self._known[name] = before, after
        return self._known[name]

    def _fed_to(self, name):
        total = np.zeros((self.frames, 2))
        for bus in [*self.session["stems"], *self.session["groups"], *self.session["returns"]]:
            if bus.get("group") == name:
                total = total + self._taps(bus["name"])[1]
        for send in self.session["sends"]:
            if send["to"] == name:
                total = total + self._fader(self._taps(send["from"])[send["tap"] == "after_chain"], send)
        return total

    def _start(self, stem):
        return round(stem.get("start_s", 0.0) * self.rate_hz)

    def _placed(self, stem):
        sound = self.files[stem["file"]] * np.ones(2)
        count = np.arange(len(sound))
        for fade, since in (("fade_in_ms", count), ("fade_out_ms", count[::-1])):
            length = stem.get(fade, 0.0) * self.rate_hz / 1000
            if length:
                share = np.minimum(since / length, 1.0)
                sound *= (np.sin(np.pi / 2 * share) ** 2)[:, None]
        sound *= ratio(stem.get("gain_db", 0.0)) * (-1 if stem.get("polarity") == "inverted" else 1)
        out = np.zeros((self.frames, 2))
        out[self._start(stem) : self._start(stem) + len(sound)] = sound
        return out

    def _fader(self, sound, bus):
        level_db = np.full(self.frames, float(bus.get("level_db", 0)))
        if bus.get("ride"):
            seconds = np.arange(self.frames) / self.rate_hz
            times, levels = zip(*[(point["at_s"], point["level_db"]) for point in bus["ride"]], strict=True)
            level_db += np.interp(seconds, times, levels)
        return sound * ratio(level_db)[:, None]

    def _chain(self, sound, bus):
        return self._stages(sound, self.chains[bus["chain"]]) if bus.get("chain") else sound

    def _stages(self, sound, stages):
        for stage in stages:
            sound = getattr(self, "_" + stage["stage"])(sound, stage)
        return sound

    def _gain(self, sound, stage):
        sides = pan(stage.get("pan", 0.0), stage.get("pan_law", "balance"))
        return sound * ratio(stage["gain_db"]) * sides * (-1 if stage.get("polarity") == "inverted" else 1)

    def _eq(self, sound, stage):
        for band in stage["bands"]:
            sos = sections(band, self.rate_hz)
            on = band.get("on", "left_right")
            if on == "left_right":
                sound = sosfilt(sos, sound, axis=0)
            else:
                parts = mid_side(sound)
                parts[on] = sosfilt(sos, parts[on])
                sound = left_right(parts)
        return sound

    def _width(self, sound, stage):
        parts = mid_side(sound)
        if stage.get("mono_below_hz"):
            low, high = (
                butter(2, stage["mono_below_hz"], kind, fs=self.rate_hz, output="sos")
                for kind in ("lowpass", "highpass")
            )
            parts["mid"] = twice(low, parts["mid"]) + twice(high, parts["mid"])
            parts["side"] = twice(high, parts["side"])
        return left_right({"mid": parts["mid"], "side": parts["side"] * stage["width"]})

    def _parallel(self, sound, stage):
        total = sound * ratio(stage["dry_db"])
        for branch in stage["branches"]:
            total = total + self._stages(sound, branch["stages"]) * ratio(branch["level_db"])
        return total


def ratio(level_db):
    return np.power(10.0, np.divide(level_db, 20))


def pan(position, law):
    """Gains of left and right; the centre is 1 in each law."""
    if law == "linear":
        return np.array([1 - position, 1 + position])
    if law == "constant_power":
        return np.sqrt([1 - np.sin(np.pi / 2 * position), 1 + np.sin(np.pi / 2 * position)])
    return np.cos(np.pi / 2 * np.clip([position, -position], 0, 1))


def mid_side(sound):
    return {"mid": (sound[:, 0] + sound[:, 1]) / 2, "side": (sound[:, 0] - sound[:, 1]) / 2}


def left_right(parts):
    return np.stack([parts["mid"] + parts["side"], parts["mid"] - parts["side"]], axis=1)


def twice(sos, sound):
    return sosfilt(sos, sosfilt(sos, sound))


def sections(band, rate_hz):
    """Second-order sections of a band, as scipy takes them."""
    if band["shape"].endswith("_pass"):
        kind = band["shape"].replace("_", "")
        return butter(band["slope_db_per_octave"] // 6, band["freq_hz"], kind, fs=rate_hz, output="sos")
    turn = 2 * np.pi * band["freq_hz"] / rate_hz
    cosine, alpha = np.cos(turn), np.sin(turn) / (2 * band.get("q", 0.7071))
    a = np.power(10.0, band["gain_db"] / 40)
    if band["shape"] == "bell":
        b = [1 + alpha * a, -2 * cosine, 1 - alpha * a]
        feedback = [1 + alpha / a, -2 * cosine, 1 - alpha / a]
    else:
        s = 1 if band["shape"] == "low_shelf" else -1
        r, up, down = 2 * np.sqrt(a) * alpha, a + 1, a - 1
        b = [up - s * down * cosine + r, 2 * s * (down - s * up * cosine), up - s * down * cosine - r]
        b = [a * each for each in b]
        feedback = [up + s * down * cosine + r, -2 * s * (down + s * up * cosine), up + s * down * cosine - r]
    return np.array([[*b, *feedback]]) / feedback[0]
