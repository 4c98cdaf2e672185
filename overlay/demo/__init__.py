"""The demo: a village cyclekart club on a disused airfield taxiway, with known truth."""
