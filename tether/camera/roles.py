"""Which of a driver's many settings plays which role.

The names are those of libgphoto2's drivers (its ``camlibs/ptp2/config.c``, tables of the camera
settings, and the ``canon``, ``fuji``, ``konica`` and ``sierra`` drivers). A camera has a few of
each row; the first one that it answers for is taken.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tether.camera.protocol import Role

CANDIDATES: Mapping[Role, tuple[str, ...]] = {
    # "shutterspeed2" is the finer of two lists where a maker has both (fractions, not decimals).
    Role.SHUTTER: ("shutterspeed2", "shutterspeed", "exptime", "shutter-speed"),
    Role.APERTURE: ("aperture", "f-number", "aperture2"),
    Role.ISO: ("iso", "isospeed", "iso-speed"),
    Role.WHITE_BALANCE: ("whitebalance", "white-balance"),
    Role.IMAGE_FORMAT: ("imageformat", "imagequality", "imageformatsd", "imageformatcf"),
    Role.FOCUS_MODE: ("focusmode", "focusmode2", "focus-mode"),
    Role.EXPOSURE_MODE: ("expprogram", "autoexposuremode", "expprogram2", "shootingmode"),
    Role.CAPTURE_TARGET: ("capturetarget", "recordingmedia"),
    Role.BATTERY: ("batterylevel",),
    Role.CLOCK: ("datetime", "datetimeutc"),
}
"""For each role the driver's names, best first."""

AUTOFOCUS = "autofocus"
"""The driver's own switch for focusing before each exposure (not the camera's focus mode)."""

SERIAL = ("serialnumber", "eosserialnumber")
MAKER = "manufacturer"
MODEL = "cameramodel"


def candidates(names: Iterable[str]) -> dict[Role, tuple[str, ...]]:
    """Return for each role the names that this camera has, best first.

    ``names`` are the leaf names of the camera's configuration tree. Having a name is not yet an
    answer: some cameras list a setting and then refuse to read it.
    """
    known = set(names)
    return {
        role: tuple(name for name in row if name in known)
        for role, row in CANDIDATES.items()
        if known.intersection(row)
    }
