"""Physics of a lens in a laser beam: glass, prescriptions, exact trace, Gaussian beams, sensitivities."""
