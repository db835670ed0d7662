"""What a lighting retrofit should save by its fixture schedule, and what looks wrong in it."""

from mv.lighting.sanity import SiteFacts
from mv.lighting.schedule import LightingEstimate, LightingLine, derivation, estimate

__all__ = ["LightingEstimate", "LightingLine", "SiteFacts", "derivation", "estimate"]
