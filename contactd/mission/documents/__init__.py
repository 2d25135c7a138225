"""The documents that HTTP, ``--format json`` and the page share: described, and made."""
