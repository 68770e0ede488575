"""Synthetic traces from physics, with the truth attached."""

from echotrace.synthesis.compose import Synthesis, synthesise
from echotrace.synthesis.scenario import load_scenario
from echotrace.synthesis.sections import Scenario

__all__ = ["Scenario", "Synthesis", "load_scenario", "synthesise"]
