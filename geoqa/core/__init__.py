"""What every other part stands on; imports no other part of geoqa."""
