"""Tests of the bridge: python3 -m unittest discover -s deploy/bridge -t deploy/bridge."""
