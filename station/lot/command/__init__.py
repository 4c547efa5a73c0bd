"""What ``coincide lot``, ``resume``, ``hold`` and ``report`` do."""
