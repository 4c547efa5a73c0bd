"""Control charts: factors, limits, run rules, charts, and whether a whole series is in control."""

from station.quality.control_charts.charts import ControlChart, individuals_chart, xbar_r_chart
from station.quality.control_charts.constants import ChartFactors, chart_factors
from station.quality.control_charts.limits import Limits, individuals_limits, xbar_r_limits
from station.quality.control_charts.rules import LIMITS_ONLY, NELSON, WESTERN_ELECTRIC, Rule, Signal
from station.quality.control_charts.state import ControlState, control_state

__all__ = [
    "LIMITS_ONLY",
    "NELSON",
    "WESTERN_ELECTRIC",
    "ChartFactors",
    "ControlChart",
    "ControlState",
    "Limits",
    "Rule",
    "Signal",
    "chart_factors",
    "control_state",
    "individuals_chart",
    "individuals_limits",
    "xbar_r_chart",
    "xbar_r_limits",
]
