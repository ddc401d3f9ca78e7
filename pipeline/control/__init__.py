"""Readings with a densitometer.

In: a CSV file of readings. Out: control strips' deviations from their aim (density), causes and
findings; wedges and spots.

`causes` holds a strip's deviations, in action limits, against chance and against each fault's
published directions (`fault_table`) by Bayes' theorem; 'something else' stands for what goes no
published way. Within the action limits no cause is looked for.

The door is wide because drawings take limits and names of the quantities, diagnosis the findings.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
