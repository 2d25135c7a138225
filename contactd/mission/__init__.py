"""What people state and what they are told: pure, made once, used by every face.

Above :mod:`contactd.core`, below everything that reads files, keeps records or shows a screen.
"""
