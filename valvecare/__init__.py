"""valvecare: care for the protection valves of centrifugal pumps.

Importing this package loads no Django; `valvecare.engineering` can be used on its own.
"""

__version__ = "0.1.0"
