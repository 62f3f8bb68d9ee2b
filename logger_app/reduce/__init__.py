"""The reduction: calls and runs in; stall speeds, cells and comparisons out. Pure but for `*_io`.

Reading order: `events` (what a called event means), `approach` (the robust fit), `stall_speed`
(one run), `calibration`, `standardise`, `quality`, `uncertainty`, `cells`, `differences`,
`compare`, and `campaign`, which ties them together. `atmosphere`, `airspeed`, `gps`, `align`,
`trace` and `statistics` are tools. Every source is in `SOURCES.md`. Not for: finding runs (see
`review`), drawing (see `report`).
"""
