"""Asks an X display whether a window manager is there, and how large it is: a kiosk may have none, and then nobody enlarges a window.

By the system's own libX11, which the window library needs too. Other displays (Wayland, Windows) always have a manager.
"""

from __future__ import annotations

import ctypes
import os
import sys
import time

CHECK = b"_NET_SUPPORTING_WM_CHECK"  # freedesktop.org, Extended Window Manager Hints 1.5, "Root Window Properties"
ANY_TYPE = 0
ATTEMPTS, PAUSE_S = 20, 0.1


def size_without_manager() -> tuple[int, int] | None:
    """The display's size [px] where no window manager is running on it; None where one is, or where nothing can be asked."""
    if not sys.platform.startswith("linux") or not os.environ.get("DISPLAY"):
        return None
    try:
        x11 = ctypes.CDLL("libX11.so.6")
    except OSError:
        return None
    x11.XOpenDisplay.restype = ctypes.c_void_p
    x11.XDefaultRootWindow.argtypes = [ctypes.c_void_p]
    x11.XDefaultRootWindow.restype = ctypes.c_ulong
    x11.XInternAtom.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int]
    x11.XInternAtom.restype = ctypes.c_ulong
    x11.XDefaultScreen.argtypes = [ctypes.c_void_p]
    for name in ("XDisplayWidth", "XDisplayHeight"):
        getattr(x11, name).argtypes = [ctypes.c_void_p, ctypes.c_int]
    display = None
    for _ in range(ATTEMPTS):  # a server that has just been started may not answer at once
        display = x11.XOpenDisplay(None)
        if display:
            break
        time.sleep(PAUSE_S)
    else:
        return None
    # Never closed: a server without another client would start anew, just when the window asks for it.
    atom = x11.XInternAtom(display, CHECK, 1)
    if atom and _has_property(x11, display, atom):
        return None
    screen = x11.XDefaultScreen(display)
    return x11.XDisplayWidth(display, screen), x11.XDisplayHeight(display, screen)


def _has_property(x11, display, atom) -> bool:
    kind, form = ctypes.c_ulong(), ctypes.c_int()
    count, after, data = ctypes.c_ulong(), ctypes.c_ulong(), ctypes.c_void_p()
    x11.XGetWindowProperty.argtypes = [
        ctypes.c_void_p,
        ctypes.c_ulong,
        ctypes.c_ulong,
        ctypes.c_long,
        ctypes.c_long,
        ctypes.c_int,
        ctypes.c_ulong,
        *(ctypes.c_void_p,) * 5,
    ]
    root = x11.XDefaultRootWindow(display)
    out = [ctypes.byref(part) for part in (kind, form, count, after, data)]
    x11.XGetWindowProperty(display, root, atom, 0, 1, 0, ANY_TYPE, *out)
    if data:
        x11.XFree.argtypes = [ctypes.c_void_p]
        x11.XFree(data)
    return bool(kind.value)
