"""The shared vocabulary: immutable records, in the order in which data flows.

`rig`, `snapshots`, `job` are what people write; `passes` is the resolved job; `plan`, `take`,
`verdict` and `delivery` are what the program writes.
"""
