"""Pictures: functions that take data and axes, draw, and return; see :mod:`.style`."""
