"""Pages and the player: what a browser shows. Script only shows and asks; no figure is its own."""
