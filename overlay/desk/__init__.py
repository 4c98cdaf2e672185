"""The desk: pages on this machine for a whole day's job, over the same jobs as the commands."""
