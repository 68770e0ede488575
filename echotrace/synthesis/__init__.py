"""Synthetic traces from physics, with the truth attached."""

from echotrace.synthesis.compose import Synthesis, synthesise
from echotrace.synthesis.scenario import Scenario, read_scenario

__all__ = ["Scenario", "Synthesis", "read_scenario", "synthesise"]
