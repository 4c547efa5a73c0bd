"""The application: configuration, runner, records, reports, command line."""

import os

# The image library looks at this once, when it is loaded: a header of a few bytes must not claim gigabytes.
os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", str(2**27))
