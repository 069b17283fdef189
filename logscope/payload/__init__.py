"""What the payloads of one identifier hold, found without any definition: pure functions on bytes.

Every function takes the payloads of one identifier and one length, shape (n, length), uint8, in the order in which they
were sent. Bits are numbered as in DBC files: bit 8·n + k is bit k of byte n.
"""
