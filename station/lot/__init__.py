"""Lots: the line that nobody watches. One lens after another is aligned, fixed, verified and recorded.

:class:`station.lot.lot.LotRun` works through an :class:`station.lot.order.Order` on a
:class:`station.lot.line.Line`; :mod:`station.lot.recovery` takes up what was in hand when everything stopped.
"""
