"""Measuring sound without changing it: loudness, true peak, level, stereo and spectrum."""

from busproc.measure.level import LevelTally
from busproc.measure.meter import Meter, Reading, Series, measure
from busproc.measure.spectrum import ThirdOctaves

__all__ = ["LevelTally", "Meter", "Reading", "Series", "ThirdOctaves", "measure"]
