"""Synthetic traces from physics, with the truth attached."""

from echotrace.synthesis.compose import Synthesis, synthesise
from echotrace.synthesis.scenario import read_scenario
from echotrace.synthesis.scenario_model import Scenario

__all__ = ["Scenario", "Synthesis", "read_scenario", "synthesise"]
