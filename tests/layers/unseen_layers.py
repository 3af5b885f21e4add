"""Invented layers in the styles of several countries, and what each of their columns is.

Written before the words of the package were, by hand and from memory of how towns spell such
things; nothing here is taken from a file. Each case says the layer, its columns, which canonical
column each holds, and the unit where it is not the canonical one. `ASK` stands for a unit that
the data alone do not tell.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import cycle, islice, pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, Point, box

N = 40
ASK = "?"
PLANES = ("Platanus x hispanica", "Tilia cordata", "Acer platanoides", "Quercus robur")


@dataclass(frozen=True)
class Case:
    """A layer, and what a person who knows it would map."""

    name: str
    layer: str
    frame: pd.DataFrame
    fields: dict[str, str]
    units: dict[str, str] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)


def turn(*words: object) -> list[object]:
    """Repeat words down a column."""
    return list(islice(cycle(words), N))


def ids(mark: str, start: int = 0) -> list[str]:
    """Name rows one after another."""
    return [f"{mark}{n}" for n in range(start, start + N)]


def falls(top: float, step: float, start: float = 0.0) -> np.ndarray:
    """Levels that fall from row to row."""
    return np.round(top - step * (np.arange(N) + start), 2)


def about(middle: float, spread: float, seed: int = 1, digits: int = 0) -> np.ndarray:
    """Numbers about a middle."""
    return np.round(np.random.default_rng(seed).normal(middle, spread, N).clip(middle / 4), digits)


def lines(x: float, y: float, step: float, crs: int, **columns: object) -> gpd.GeoDataFrame:
    """A chain of runs."""
    at = [(x + step * n, y + 0.1 * step * n) for n in range(N + 1)]
    shapes = [LineString(pair) for pair in pairwise(at)]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)


def points(x: float, y: float, step: float, crs: int, **columns: object) -> gpd.GeoDataFrame:
    """Points along a street."""
    shapes = [Point(x + step * n, y + 0.1 * step * n) for n in range(N)]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)


def areas(x: float, y: float, step: float, crs: int, **columns: object) -> gpd.GeoDataFrame:
    """Squares in a row."""
    shapes = [box(x + step * n, y, x + step * n + 0.8 * step, y + step) for n in range(N)]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)


def southern_sewers() -> Case:
    """Gravity mains as an Australian water utility would keep them."""
    frame = lines(
        334000,
        6250000,
        45,
        28356,
        ASSET_ID=ids("SP"),
        GIS_REF=range(1, N + 1),
        PIPE_DIA=turn(150, 150, 225, 300),
        MATRL=turn("VC", "PVC-U", "VC", "RCP"),
        US_IL=falls(31.4, 0.2),
        DS_IL=falls(31.4, 0.2, 0.9),
        US_MH_REF=ids("MH"),
        DS_MH_REF=ids("MH", 1),
        CONST_DATE=pd.to_datetime(turn("1934-01-01", "1961-05-01")),
        LIFE_STAT=turn("In Service", "In Service", "Abandoned"),
        SHAPE_LENG=about(45.2, 0.01, 3, 3),
        GRADE=turn("A", "C"),
    )
    wanted = {
        "run_id": "ASSET_ID",
        "diameter_mm": "PIPE_DIA",
        "material": "MATRL",
        "invert_up_m": "US_IL",
        "invert_down_m": "DS_IL",
        "from_manhole": "US_MH_REF",
        "to_manhole": "DS_MH_REF",
        "year": "CONST_DATE",
        "status": "LIFE_STAT",
    }
    values = {"status": {"In Service": "keep", "Abandoned": "exclude"}}
    return Case("southern sewers", "sewers", frame, wanted, values=values)


def southern_manholes() -> Case:
    """Chambers with the size of the lid beside its level."""
    frame = points(
        334000,
        6250000,
        45,
        28356,
        NODE_REF=ids("MH"),
        CVR_LVL=falls(33.9, 0.2),
        INV_LVL=falls(31.4, 0.2),
        CVR_DIM=turn(600, 600, 900),
        CHMBR_MATL=turn("Precast concrete", "Brick"),
        NODE_TYPE=turn("Manhole", "Manhole", "Lamphole"),
        MH_DEPTH=np.full(N, 2.5) + about(0.2, 0.1, 4, 2),
    )
    wanted = {
        "manhole_id": "NODE_REF",
        "cover_level_m": "CVR_LVL",
        "invert_level_m": "INV_LVL",
        "material": "CHMBR_MATL",
        "depth_m": "MH_DEPTH",
    }
    return Case("southern manholes", "manholes", frame, wanted)


def prairie_sewers() -> Case:
    """Mains in feet and inches, with the database's own columns about them."""
    frame = lines(
        2200000,
        650000,
        260,
        2264,
        OBJECTID=range(11, N + 11),
        FACILITYID=ids("SGM"),
        FROMNODE=ids("SMH"),
        TONODE=ids("SMH", 1),
        PIPESIZE=turn(8, 8, 10, 15),
        MATERIAL=turn("VCP", "PVC", "DIP", "RCP"),
        UPINVERT=falls(702.4, 1.1),
        DNINVERT=falls(702.4, 1.1, 0.9),
        INSTALLYR=turn(1927, 1968, 0),
        WATERTYPE=turn("Sanitary", "Combined"),
        LIFECYCLE=turn("Active", "Abandoned in Place", "Active"),
        GLOBALID=[f"{{{n:08X}-AAAA-4BBB-8CCC-0123456789AB}}" for n in range(N)],
        ENABLED=turn(1),
        SHAPE_LENGTH=about(261.3, 0.1, 5, 4),
        SLOPE=about(0.42, 0.05, 6, 3),
    )
    wanted = {
        "run_id": "FACILITYID",
        "from_manhole": "FROMNODE",
        "to_manhole": "TONODE",
        "diameter_mm": "PIPESIZE",
        "material": "MATERIAL",
        "invert_up_m": "UPINVERT",
        "invert_down_m": "DNINVERT",
        "year": "INSTALLYR",
        "use": "WATERTYPE",
        "status": "LIFECYCLE",
    }
    units = {"diameter_mm": "in", "invert_up_m": ASK, "invert_down_m": ASK}
    values = {"status": {"Active": "keep", "Abandoned in Place": "exclude"}}
    return Case("prairie sewers", "sewers", frame, wanted, units, values)


def prairie_manholes() -> Case:
    """Manholes in feet."""
    frame = points(
        2200000,
        650000,
        260,
        2264,
        OBJECTID=range(1, N + 1),
        MHNUMBER=ids("SMH"),
        RIM_ELEV=falls(711.9, 1.1),
        INVERTELEV=falls(702.4, 1.1),
        COVERSIZE=turn(24, 24, 30),
        ROTATION=about(180, 60, 7),
        WALLMAT=turn("Brick", "Precast"),
        MH_DEPTH_FT=about(9.5, 1, 8, 1),
    )
    wanted = {
        "manhole_id": "MHNUMBER",
        "cover_level_m": "RIM_ELEV",
        "invert_level_m": "INVERTELEV",
        "material": "WALLMAT",
        "depth_m": "MH_DEPTH_FT",
    }
    units = {"cover_level_m": ASK, "invert_level_m": ASK, "depth_m": "ft"}
    return Case("prairie manholes", "manholes", frame, wanted, units)


def prairie_trees() -> Case:
    """Street trees with stumps and empty sites among them."""
    frame = points(
        -93.6,
        41.6,
        0.0003,
        4326,
        FID_1=range(N),
        TREEID=range(5001, 5001 + N),
        BOTNAME=turn(*PLANES),
        COMNAME=turn("London plane", "Littleleaf linden", "Norway maple", "English oak"),
        DBH_INCH=about(16, 6, 9),
        TRUNKS=turn(1, 1, 1, 2),
        CROWN_FT=about(28, 8, 10),
        HT_FT=about(45, 10, 11),
        COND=turn("Good", "Fair", "Poor"),
        SITESTATUS=turn("Tree", "Tree", "Stump", "Planting site"),
        ONSTREET=turn("ELM ST", "OAK AVE"),
    )
    wanted = {
        "tree_id": "TREEID",
        "species": "BOTNAME",
        "stem_diameter_mm": "DBH_INCH",
        "stem_count": "TRUNKS",
        "crown_diameter_m": "CROWN_FT",
        "height_m": "HT_FT",
        "status": "SITESTATUS",
    }
    units = {"stem_diameter_mm": "in", "crown_diameter_m": "ft", "height_m": "ft"}
    values = {"status": {"Tree": "keep", "Stump": "exclude", "Planting site": "exclude"}}
    return Case("prairie trees", "trees", frame, wanted, units, values)


def rhine_sewers() -> Case:
    """A sewer register in German."""
    frame = lines(
        356000,
        5645000,
        42,
        25832,
        BEZ_HALTG=ids("H04"),
        SCHACHT_O=ids("S1"),
        SCHACHT_U=ids("S1", 1),
        SOHLE_O=falls(46.2, 0.15),
        SOHLE_U=falls(46.2, 0.15, 0.9),
        DN=turn(250, 300, 400),
        WERKST=turn("Steinzeug", "Beton", "PVC", "Stahlbeton"),
        KANALART=turn("Mischwasser", "Schmutzwasser"),
        BAUJ=turn(1911, 1956),
        STRNAME=turn("Lindenallee", "Uferweg"),
        LAENGE=about(42.2, 0.01, 12, 2),
        ZUSTKL=turn(1, 2, 3),
    )
    wanted = {
        "run_id": "BEZ_HALTG",
        "from_manhole": "SCHACHT_O",
        "to_manhole": "SCHACHT_U",
        "invert_up_m": "SOHLE_O",
        "invert_down_m": "SOHLE_U",
        "diameter_mm": "DN",
        "material": "WERKST",
        "use": "KANALART",
        "year": "BAUJ",
        "street": "STRNAME",
    }
    values = {"use": {"Mischwasser": "combined", "Schmutzwasser": "foul"}}
    return Case("rhine sewers", "sewers", frame, wanted, values=values)


def rhine_trees() -> Case:
    """A tree register in German."""
    frame = points(
        356000,
        5645003,
        9,
        25832,
        BNR=ids("B"),
        ART_LAT=turn(*PLANES),
        ART_DT=turn("Platane", "Winterlinde", "Spitzahorn", "Eiche"),
        STAMMUMF_CM=about(120, 40, 13),
        KRONEN_DM=about(8, 2, 14),
        BAUMHOEHE=about(14, 4, 15),
        PFLANZJ=turn(1950, 1982),
        STRASSE=turn("Lindenallee", "Uferweg"),
        BEZIRK=turn("Nord"),
    )
    wanted = {
        "tree_id": "BNR",
        "species": "ART_LAT",
        "stem_circumference_mm": "STAMMUMF_CM",
        "crown_diameter_m": "KRONEN_DM",
        "height_m": "BAUMHOEHE",
    }
    return Case("rhine trees", "trees", frame, wanted, {"stem_circumference_mm": "cm"})


def loire_sewers() -> Case:
    """A network in French."""
    frame = lines(
        355000,
        6690000,
        38,
        2154,
        ID_CANA=ids("C"),
        REGARD_AM=ids("R"),
        REGARD_AV=ids("R", 1),
        FE_AMONT=falls(12.8, 0.1),
        FE_AVAL=falls(12.8, 0.1, 0.9),
        DIAMETRE=turn(200, 300, 500),
        MATERIAU=turn("Béton", "Grès", "Fonte", "Amiante-ciment"),
        TYPE_EFF=turn("Eaux usées", "Eaux pluviales", "Unitaire"),
        DATE_POSE=turn("1958-01-01", "1974-06-01"),
        ETAT=turn("En service", "En service", "Abandonné"),
        NOM_RUE=turn("Rue des Saules", "Quai Haut"),
        LONG_M=about(38.1, 0.01, 16, 2),
    )
    wanted = {
        "run_id": "ID_CANA",
        "from_manhole": "REGARD_AM",
        "to_manhole": "REGARD_AV",
        "invert_up_m": "FE_AMONT",
        "invert_down_m": "FE_AVAL",
        "diameter_mm": "DIAMETRE",
        "material": "MATERIAU",
        "use": "TYPE_EFF",
        "year": "DATE_POSE",
        "status": "ETAT",
        "street": "NOM_RUE",
    }
    values = {
        "status": {"En service": "keep", "Abandonné": "exclude"},
        "use": {"Eaux usées": "foul", "Eaux pluviales": "storm", "Unitaire": "combined"},
    }
    return Case("loire sewers", "sewers", frame, wanted, values=values)


def loire_manholes() -> Case:
    """Manholes in French, with the size of the cover."""
    frame = points(
        355000,
        6690000,
        38,
        2154,
        NUM_REG=ids("R"),
        COTE_TAMPON=falls(15.3, 0.1),
        COTE_RAD=falls(12.8, 0.1),
        PROF=about(2.5, 0.2, 17, 2),
        DIAM_TAMP=turn(600, 800),
        ACCES=turn("oui", "non"),
    )
    wanted = {
        "manhole_id": "NUM_REG",
        "cover_level_m": "COTE_TAMPON",
        "invert_level_m": "COTE_RAD",
        "depth_m": "PROF",
    }
    return Case("loire manholes", "manholes", frame, wanted)


def loire_trees() -> Case:
    """Trees in French, genus and species apart."""
    frame = points(
        355000,
        6690004,
        8,
        2154,
        id_arbre=range(100, 100 + N),
        genre=turn("Platanus", "Tilia", "Acer"),
        espece=turn("x hispanica", "cordata", "platanoides"),
        circ_cm=about(110, 35, 18),
        haut_m=about(12, 3, 19),
        diam_cour=about(7, 2, 20),
        stade_dev=turn("Jeune", "Adulte"),
        remarquab=turn("non", "non", "oui"),
    )
    wanted = {
        "tree_id": "id_arbre",
        "species": "genre + espece",
        "stem_circumference_mm": "circ_cm",
        "height_m": "haut_m",
        "crown_diameter_m": "diam_cour",
        "age_class": "stade_dev",
    }
    return Case("loire trees", "trees", frame, wanted, {"stem_circumference_mm": "cm"})


def ebro_sewers() -> Case:
    """A network in Spanish."""
    frame = lines(
        676000,
        4613000,
        36,
        25830,
        COD_TRAMO=ids("T-"),
        POZO_INI=ids("P"),
        POZO_FIN=ids("P", 1),
        COTA_INI=falls(198.6, 0.2),
        COTA_FIN=falls(198.6, 0.2, 0.9),
        DIAM_MM=turn(300, 400, 600),
        MATERIAL=turn("Hormigón", "PVC", "Gres", "Fibrocemento"),
        TIPO_RED=turn("Unitaria", "Fecales", "Pluviales"),
        ANIO=turn(1949, 1971),
        CALLE=turn("Calle Mayor", "Paseo del Soto"),
        LONGITUD=about(36.1, 0.01, 21, 2),
    )
    wanted = {
        "run_id": "COD_TRAMO",
        "from_manhole": "POZO_INI",
        "to_manhole": "POZO_FIN",
        "invert_up_m": "COTA_INI",
        "invert_down_m": "COTA_FIN",
        "diameter_mm": "DIAM_MM",
        "material": "MATERIAL",
        "use": "TIPO_RED",
        "year": "ANIO",
        "street": "CALLE",
    }
    return Case("ebro sewers", "sewers", frame, wanted)


def ebro_trees() -> Case:
    """Trees in Spanish."""
    frame = points(
        676000,
        4613004,
        7,
        25830,
        NUM_ARBOL=range(1, N + 1),
        NOM_CIENT=turn(*PLANES),
        PERIM_CM=about(95, 25, 22),
        ALT_TOTAL=about(11, 3, 23, 1),
        DIAM_COPA=about(6, 1.5, 24, 1),
        BARRIO=turn("Centro"),
        PROTEGIDO=turn("No", "No", "Sí"),
    )
    wanted = {
        "tree_id": "NUM_ARBOL",
        "species": "NOM_CIENT",
        "stem_circumference_mm": "PERIM_CM",
        "height_m": "ALT_TOTAL",
        "crown_diameter_m": "DIAM_COPA",
        "is_protected": "PROTEGIDO",
    }
    return Case("ebro trees", "trees", frame, wanted, {"stem_circumference_mm": "cm"})


def polder_sewers() -> Case:
    """A network in Dutch, shape and both sides in columns of their own."""
    frame = lines(
        120000,
        480000,
        40,
        28992,
        STRENG_ID=ids("L"),
        PUT_VAN=ids("P"),
        PUT_NAAR=ids("P", 1),
        BOB_VAN=falls(-1.2, 0.04),
        BOB_NAAR=falls(-1.2, 0.04, 0.9),
        BREEDTE_MM=turn(300, 400),
        HOOGTE_MM=turn(300, 600),
        VORM=turn("Rond", "Ei"),
        MATERIAAL=turn("Beton", "Gres", "PVC"),
        STELSEL=turn("Gemengd", "Hemelwater"),
        JAAR_AANL=turn(1938, 1967),
        OPMERKING=turn(None, None, "zie tekening"),
    )
    wanted = {
        "run_id": "STRENG_ID",
        "from_manhole": "PUT_VAN",
        "to_manhole": "PUT_NAAR",
        "invert_up_m": "BOB_VAN",
        "invert_down_m": "BOB_NAAR",
        "diameter_mm": "BREEDTE_MM",
        "height_mm": "HOOGTE_MM",
        "shape": "VORM",
        "material": "MATERIAAL",
        "use": "STELSEL",
        "year": "JAAR_AANL",
    }
    values = {"shape": {"Rond": "circular", "Ei": "egg"}}
    return Case("polder sewers", "sewers", frame, wanted, values=values)


def polder_connections() -> Case:
    """Laterals in Dutch."""
    frame = points(
        120002,
        480002,
        11,
        28992,
        AANSL_NR=ids("A"),
        STRENG_ID=turn("L0", "L1", "L2"),
        DIAM=turn(125, 160),
        SOORT=turn("Kolk", "Huis"),
    )
    wanted = {
        "connection_id": "AANSL_NR",
        "run_id": "STRENG_ID",
        "diameter_mm": "DIAM",
        "kind": "SOORT",
    }
    values = {"kind": {"Kolk": "gully", "Huis": "house"}}
    return Case("polder connections", "connections", frame, wanted, values=values)


def island_sewers() -> Case:
    """Sizes as text with the unit written; no id at all."""
    frame = lines(
        530000,
        180000,
        33,
        27700,
        PipeSize=turn("225 mm", "300 mm", "150 mm"),
        PipeMaterial=turn("Vitrified clay", "Concrete", "Brick"),
        Purpose=turn("Foul", "Combined", "Surface water"),
        Upstream_Node=ids("TQ"),
        Downstream_Node=ids("TQ", 1),
        Upstream_Invert=falls(8.1, 0.1),
        Downstream_Invert=falls(8.1, 0.1, 0.9),
        YearLaid=turn(1889, 1936),
        Owner=turn("Parish"),
        Captured_By=turn("jk", "mm"),
    )
    wanted = {
        "diameter_mm": "PipeSize",
        "material": "PipeMaterial",
        "use": "Purpose",
        "from_manhole": "Upstream_Node",
        "to_manhole": "Downstream_Node",
        "invert_up_m": "Upstream_Invert",
        "invert_down_m": "Downstream_Invert",
        "year": "YearLaid",
    }
    return Case("island sewers", "sewers", frame, wanted)


def island_services() -> Case:
    """Other services."""
    frame = lines(
        530000,
        180004,
        33,
        27700,
        UtilityRef=ids("U"),
        Utility=turn("Gas", "Water", "Electric", "Telecom"),
        CoverDepth=about(0.8, 0.1, 25, 2),
        Dia_mm=turn(63, 90, 110),
    )
    wanted = {
        "service_id": "UtilityRef",
        "kind": "Utility",
        "depth_m": "CoverDepth",
        "diameter_mm": "Dia_mm",
    }
    return Case("utility lines", "services", frame, wanted)


def tiber_sewers() -> Case:
    """A network in Italian, a language that few words are known of."""
    frame = lines(
        290000,
        4640000,
        41,
        32633,
        ID_TRATTO=ids("TR"),
        POZZ_MONTE=ids("PZ"),
        POZZ_VALLE=ids("PZ", 1),
        DIAMETRO=turn(250, 315, 400),
        MATERIALE=turn("Gres", "Calcestruzzo", "PVC"),
        ANNO_POSA=turn(1952, 1978),
        VIA=turn("Via Lunga", "Via Corta"),
    )
    wanted = {
        "run_id": "ID_TRATTO",
        "from_manhole": "POZZ_MONTE",
        "to_manhole": "POZZ_VALLE",
        "diameter_mm": "DIAMETRO",
        "material": "MATERIALE",
        "year": "ANNO_POSA",
        "street": "VIA",
    }
    return Case("tiber sewers", "sewers", frame, wanted)


def footprints() -> Case:
    """Buildings."""
    frame = areas(
        530000,
        180010,
        12,
        27700,
        bldg_id=ids("B"),
        bldg_type=turn("House", "Garage"),
        storeys=turn(2, 1),
    )
    return Case(
        "building footprints", "obstacles", frame, {"obstacle_id": "bldg_id", "kind": "bldg_type"}
    )


def bay_trees() -> Case:
    """Trees whose diameters name no unit, in a place that counts in inches or in cm."""
    frame = points(
        174.7,
        -36.8,
        0.0002,
        4326,
        AssetNo=ids("T"),
        SciName=turn(*PLANES),
        TrunkDiam=about(32, 9, 26),
        Spread=about(8, 2, 27),
        Ht=about(10, 2, 28),
        AgeClass=turn("Mature", "Young"),
    )
    wanted = {
        "tree_id": "AssetNo",
        "species": "SciName",
        "stem_diameter_mm": "TrunkDiam",
        "crown_diameter_m": "Spread",
        "height_m": "Ht",
        "age_class": "AgeClass",
    }
    return Case("bay trees", "trees", frame, wanted, {"stem_diameter_mm": ASK})


CASES: tuple[Callable[[], Case], ...] = (
    southern_sewers,
    southern_manholes,
    prairie_sewers,
    prairie_manholes,
    prairie_trees,
    rhine_sewers,
    rhine_trees,
    loire_sewers,
    loire_manholes,
    loire_trees,
    ebro_sewers,
    ebro_trees,
    polder_sewers,
    polder_connections,
    island_sewers,
    island_services,
    tiber_sewers,
    footprints,
    bay_trees,
)
