"""The review after the fact: planned against actual, for contacts, steps, readings and alerts."""

from contactd.faces.review.gather import Review, TargetReview, gather

__all__ = ["Review", "TargetReview", "gather"]
