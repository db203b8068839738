"""Reading what a photographer brings, and writing what leaves: files on one side, planar code values on the other."""

from tilepipe.formats.opening import open_frame

__all__ = ["open_frame"]
