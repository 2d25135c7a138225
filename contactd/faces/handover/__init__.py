"""The handover to the next shift: what changed, what is known, what is coming, what is open."""

from contactd.faces.handover.gather import Handover, gather

__all__ = ["Handover", "gather"]
