"""Contacts: when a target stands above a station's horizon, and what it can be used for then.

Public: :func:`prediction.predict`, :func:`prediction.crossings`, :func:`coverage.services`,
:class:`table.ContactTable`, :class:`contact.Contact`, :class:`contact.Coverage`. Nothing is
imported here, so that a command pays only for what it uses.
"""
