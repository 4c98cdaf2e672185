"""Finished clips: layers on footage, several clips in one picture, sound mix, encoder."""
