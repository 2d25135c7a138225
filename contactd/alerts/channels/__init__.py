"""The channels: each a way to reach somebody, with one small interface (``message.Channel``)."""
