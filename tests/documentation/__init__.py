"""The documents as programs: their blocks are run and what they show is compared."""
