"""The two configuration files, checked; one loader, one style of error."""

from station.config.bench import BenchTable
from station.config.loading import Setup, TomlFile, load_bench, load_setup
from station.config.problems import BadInput
from station.config.recipe import RecipeTable

__all__ = ["BadInput", "BenchTable", "RecipeTable", "Setup", "TomlFile", "load_bench", "load_setup"]
