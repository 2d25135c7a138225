"""Pictures for reports and slides, as PNG or SVG (extra ``plots``: matplotlib)."""
