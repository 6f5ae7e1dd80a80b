"""The pure core: computes a catalogue from a CT volume and knows no scheduler and no server."""
