"""Sound or words to calls: packs, engines, decoder, the reader of sequences."""
