"""How far above the stall its warning is to begin."""

from __future__ import annotations

# 14 CFR 23.207(c), Amdt 23-62 [CFR23.207]: stall warning begins at a speed at least this far above the stalling speed [kt].
WARNING_MARGIN_KT = 5.0
