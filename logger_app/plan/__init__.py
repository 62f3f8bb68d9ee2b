"""Before the flight: the campaign file, its checks, weight and CG, order, number of runs, paper cards.

Reading order: `keys` (what the file may hold), `parse`, `cards` (contradictions), `advice`
(what is unwise), `loading`, `repeats`, `order`, `flights`, `presets`, `template`, `edit`; files
are touched only in `cards_io` and `cards_pdf_io`. Not for: what was flown (see `logstore`).
"""
