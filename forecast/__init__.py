"""The practice: what it knows, what it decides, what it shows. No outgoing call, no scheduler."""
