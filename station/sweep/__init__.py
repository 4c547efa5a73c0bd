"""The fault sweep: one alignment with every fault at every call, and an oracle that judges each run."""
