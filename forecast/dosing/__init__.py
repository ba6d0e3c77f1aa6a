"""The dosing desk: who is ready for which therapy, and on which dates a dose spares most flares.

Pure functions on plain values, no file, no clock. Nothing here prescribes: a plan is proposed, and
a vet who has examined the dog decides.
"""
