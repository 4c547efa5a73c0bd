"""Serial motion, shutter, cameras: the only room that talks to devices."""
