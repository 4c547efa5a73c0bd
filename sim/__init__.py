"""The bench that is not there: scene, mount, controller firmware, clock. Keeps the truth."""
