"""How throughput grows with threads, vCPUs or both: laws, their fit, the choice between them, and words."""

from orchestrator.core.verdict.scaling.results import Bounds, FittedLaw, LawName, Over, Point, Scaling
from orchestrator.core.verdict.scaling.scalings import scalings

__all__ = ["Bounds", "FittedLaw", "LawName", "Over", "Point", "Scaling", "scalings"]
