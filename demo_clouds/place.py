"""Where the invented site lies: its name, its extent and its coordinate system."""

from __future__ import annotations

from pathlib import Path

NAME = "tarnholt"

# The committed files: flights/, twin/ and truth/.
FOLDER = Path(__file__).parent / NAME

# The south-west corner, m. It is open sea: a quarry stands here on paper only.
ORIGIN = (382_400.0, 6_037_200.0)

# East-west and north-south size, m.
EXTENT = (300.0, 240.0)

# EPSG:25832 + EPSG:7837 as OGC well-known text. Written out, not asked of a library, so that every version of
# every library makes the same files.
WKT = (
    'COMPD_CS["ETRS89 / UTM zone 32N + DHHN2016 height",PROJCS["ETRS89 / UTM zone 32N",GEOGCS["ETRS89",'
    'DATUM["European_Terrestrial_Reference_System_1989",SPHEROID["GRS 1980",6378137,298.257222101,'
    'AUTHORITY["EPSG","7019"]],AUTHORITY["EPSG","6258"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],'
    'UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4258"]],'
    'PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],'
    'PARAMETER["scale_factor",0.9996],PARAMETER["false_easting",500000],PARAMETER["false_northing",0],'
    'UNIT["metre",1,AUTHORITY["EPSG","9001"]],AXIS["Easting",EAST],AXIS["Northing",NORTH],'
    'AUTHORITY["EPSG","25832"]],VERT_CS["DHHN2016 height",VERT_DATUM["Deutsches Haupthoehennetz 2016",2005,'
    'AUTHORITY["EPSG","1170"]],UNIT["metre",1,AUTHORITY["EPSG","9001"]],AXIS["Gravity-related height",UP],'
    'AUTHORITY["EPSG","7837"]]]'
)
