"""What a length and its uncertainty mean for lens power.

Public names are listed in ``__init__.pyi`` and loaded on first use.
"""

from echotrace._public import public_names

__getattr__, __dir__, __all__, PUBLIC_GROUPS = public_names(globals())
