"""Finished clips: gauges on footage, split-screen, sound mix, encoder."""
