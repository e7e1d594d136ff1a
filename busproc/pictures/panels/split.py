"""Split: what of each frequency goes to which band, and how the bands add up."""

from __future__ import annotations

from busproc.pictures import probe
from busproc.pictures.plot import Curve, Panel, spectrum
from busproc.stages.split import Split


def panel(stage: Split, rate_hz: int) -> Panel:
    """Measure each band's way in, and the sum of the bands at their levels without stages."""
    bare = tuple(band.model_copy(update={"stages": ()}) for band in stage.bands)
    top = stage.top and stage.top.model_copy(update={"stages": ()})
    curves = []
    for step, level_db, _ in stage.paths():
        freq_hz, gain_db = probe.response(stage.entrance(step), rate_hz, probe.MID)
        curves.append(Curve(freq_hz, gain_db, f"{step}, at {level_db:+g} dB in the sum", "part"))
    whole = stage.model_copy(update={"bands": bare, "top": top})
    freq_hz, sum_db = probe.response(whole, rate_hz, probe.MID)
    curves.append(Curve(freq_hz, sum_db, "sum at these levels"))
    return Panel(rows=((spectrum("Bands before their stages", curves, down_to_db=-30.0),),))
