"""What goes out to other programs by open standards: calendars (RFC 5545)."""
