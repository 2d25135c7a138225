"""contactd: contacts, onboard countdowns and the warnings that follow from them."""

__version__ = "0.2.0"
