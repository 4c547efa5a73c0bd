"""Studies: the measurement system (remounting lenses), and how still the beam stands."""

from station.quality.studies.beam_stability import BeamStability, Trend, beam_stability, trend
from station.quality.studies.gauge_study import GaugeStudy, analysis_of_variance, average_and_range
from station.quality.studies.remount import RemountStudy, remount_study
from station.quality.studies.short_long import (
    AllanCurve,
    ShortLong,
    allan_curve,
    allan_deviation,
    short_and_long,
)

__all__ = [
    "AllanCurve",
    "BeamStability",
    "GaugeStudy",
    "RemountStudy",
    "ShortLong",
    "Trend",
    "allan_curve",
    "allan_deviation",
    "analysis_of_variance",
    "average_and_range",
    "beam_stability",
    "remount_study",
    "short_and_long",
    "trend",
]
