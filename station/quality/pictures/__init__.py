"""Charts as pictures (PNG or SVG bytes) in one plain look."""

from station.quality.pictures.control import control_chart_picture
from station.quality.pictures.spread import drift_picture, histogram_picture

__all__ = ["control_chart_picture", "drift_picture", "histogram_picture"]
