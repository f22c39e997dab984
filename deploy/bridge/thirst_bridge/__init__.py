"""A bridge from thirstd to one controller: a relay contact, or a percentage.

Reading order: `payloads` (what comes from the broker), `core` (what follows from it; no input, output or clock),
`settings`, `memory`, `outputs`, `broker`, `bridge` (the loop), `trial` (the test for installers), `main`.
"""
