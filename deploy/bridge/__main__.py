"""Starts the bridge from its folder: python3 /opt/thirst-bridge relay.toml."""

import sys

from thirst_bridge.main import main

if __name__ == "__main__":
    sys.exit(main())
