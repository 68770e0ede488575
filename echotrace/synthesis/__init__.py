"""Synthetic traces from physics, with the truth attached."""

from echotrace.synthesis.compose import Synthesis, synthesise
from echotrace.synthesis.scenario import Scenario, load_scenario

__all__ = ["Scenario", "Synthesis", "load_scenario", "synthesise"]
