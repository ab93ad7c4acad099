"""Published data and figures that the analyses are checked against, each with its source.

Figures marked 'from memory' were not read off a stored page; the data reproduce them.
"""

from __future__ import annotations

# ISO 5725-2:1994, annex B.1, sulfur content of coal, level 1, by laboratory. Data from memory;
# the published m = 0.690, s_r = 0.015, s_R = 0.026 (from memory) are reproduced. More digits:
# own computation in R 4.2.2.
SULFUR = {
    "1": [0.71, 0.71, 0.70, 0.71],
    "2": [0.69, 0.67, 0.68],
    "3": [0.66, 0.65, 0.69],
    "4": [0.67, 0.65, 0.66],
    "5": [0.70, 0.69, 0.66, 0.71, 0.69],
    "6": [0.73, 0.74, 0.73],
    "7": [0.71, 0.71, 0.69],
    "8": [0.70, 0.65, 0.68],
}
SULFUR_S_R, SULFUR_S_L2, SULFUR_S_REPRODUCIBILITY = (
    0.0151165066046962,
    0.000466540760418396,
    0.0263637920707212,
)

# ASTM E691, glucose in serum, material A, by laboratory, as shipped with the R package ILS 0.3
# (data(Glucose), which cites ASTM E691-99). Published (from memory): mean 41.5183, s_r 1.0632,
# s_R 1.0632; the variance between laboratories comes out negative and is set to 0.
GLUCOSE_A = {
    "1": [41.03, 41.45, 41.37],
    "2": [41.17, 42.00, 41.15],
    "3": [41.01, 40.68, 42.66],
    "4": [39.37, 42.37, 42.63],
    "5": [41.88, 41.19, 41.32],
    "6": [43.28, 40.50, 42.28],
    "7": [41.08, 41.27, 39.02],
    "8": [43.36, 42.65, 41.72],
}
GLUCOSE_S_R, GLUCOSE_S_L2_UNTRUNCATED = 1.06322426295365, -0.00942480158730175

# Davies & Goldsmith (1972), yield of dyestuff by batch; lme4's Dyestuff. Bates, lme4 (2010):
# REML Batch 1764.05, Residual 2451.25; computed again with lme4 1.1.31. Balanced, so REML equals
# the moments: MS between 11271.5, MS within 2451.25.
DYESTUFF = {
    "A": [1545, 1440, 1440, 1520, 1580],
    "B": [1540, 1555, 1490, 1560, 1495],
    "C": [1595, 1550, 1605, 1510, 1560],
    "D": [1445, 1440, 1595, 1465, 1545],
    "E": [1595, 1630, 1515, 1635, 1625],
    "F": [1520, 1455, 1450, 1480, 1445],
}
DYESTUFF_MS_BETWEEN, DYESTUFF_MS_WITHIN, DYESTUFF_BATCH_VARIANCE = 11271.5, 2451.25, 1764.05

# NIST StRD, one-way analysis of variance, certified values. https://www.itl.nist.gov/div898/strd/
# AtmWtAg.dat: atomic weight of silver by instrument.
SILVER = {
    "1": [
        *(107.8681568, 107.8681465, 107.8681572, 107.8681785, 107.8681446, 107.8681903),
        *(107.8681526, 107.8681494, 107.8681616, 107.8681587, 107.8681519, 107.8681486),
        *(107.8681419, 107.8681569, 107.8681508, 107.8681672, 107.8681385, 107.8681518),
        *(107.8681662, 107.8681424, 107.8681360, 107.8681333, 107.8681610, 107.8681477),
    ],
    "2": [
        *(107.8681079, 107.8681344, 107.8681513, 107.8681197, 107.8681604, 107.8681385),
        *(107.8681642, 107.8681365, 107.8681151, 107.8681082, 107.8681517, 107.8681448),
        *(107.8681198, 107.8681482, 107.8681334, 107.8681609, 107.8681101, 107.8681512),
        *(107.8681469, 107.8681360, 107.8681254, 107.8681261, 107.8681450, 107.8681368),
    ],
}
SILVER_CERTIFIED = (1, 3.63834187500000e-09, 46, 2.28155932971014e-10, 1.59467335677930e01)

# SiRstv.dat: resistivity of silicon wafers by instrument.
SILICON = {
    "1": [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    "2": [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    "3": [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    "4": [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    "5": [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
}
SILICON_CERTIFIED = (4, 1.27865654000000e-02, 20, 1.08318280000000e-02, 1.18046237440255e00)

# SmLs01.dat (Simon & Lesage 1989): nine groups of 21; a level, then below and above it in turn.
SIMON_LESAGE = {
    str(group): [level, *([round(level - 0.1, 1), round(level + 0.1, 1)] * 10)]
    for group, level in enumerate([1.4, 1.3, 1.5, 1.3, 1.5, 1.3, 1.5, 1.3, 1.5], 1)
}
SIMON_LESAGE_CERTIFIED = (8, 0.21, 180, 0.01, 21.0)

# Pinheiro & Bates, Mixed-Effects Models in S and S-PLUS, data Machines (nlme): score by machine
# and worker, three times. With a random intercept a worker (lme4, lmerTest 3.1.3, pbkrtest 0.5.2):
# B - A 7.96667, C - A 13.91667, standard error 1.05388, 46 df (Satterthwaite and Kenward-Roger),
# residual variance 9.99601, variance of workers 26.48700.
MACHINES = {
    ("A", "1"): [52.0, 52.8, 53.1],
    ("A", "2"): [51.8, 52.8, 53.1],
    ("A", "3"): [60.0, 60.2, 58.4],
    ("A", "4"): [51.1, 52.3, 50.3],
    ("A", "5"): [50.9, 51.8, 51.4],
    ("A", "6"): [46.4, 44.8, 49.2],
    ("B", "1"): [62.1, 62.6, 64.0],
    ("B", "2"): [59.7, 60.0, 59.0],
    ("B", "3"): [68.6, 65.8, 69.7],
    ("B", "4"): [63.2, 62.8, 62.2],
    ("B", "5"): [64.8, 65.0, 65.4],
    ("B", "6"): [43.7, 44.2, 43.0],
    ("C", "1"): [67.5, 67.2, 66.9],
    ("C", "2"): [61.5, 61.7, 62.3],
    ("C", "3"): [70.8, 70.6, 71.0],
    ("C", "4"): [64.1, 66.2, 64.0],
    ("C", "5"): [72.1, 72.0, 71.1],
    ("C", "6"): [62.0, 61.4, 60.5],
}
MACHINES_B, MACHINES_C = 7.96666666666666, 13.9166666666667
MACHINES_SE, MACHINES_DF = 1.05388247766708, 46
MACHINES_RESIDUAL, MACHINES_WORKER = 9.99601449060328, 26.4869984445514

# Box, Hunter & Hunter, Statistics for Experimenters (1978; 2nd ed. 2005, sec. 3.2), wear of boys'
# shoes, materials A and B on one boy's two feet; MASS::shoes. Published t = 3.3489 (3.4 in print),
# computed with R 4.2.2: standard error 0.12242912, 9 df, 90% interval 0.18557 to 0.63443.
SHOES_A = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]
SHOES_B = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]
SHOES_MEAN, SHOES_SE, SHOES_T, SHOES_DF = 0.41, 0.12242911781471323, 3.34887653622158, 9
SHOES_CI90 = (0.18557360080015523, 0.6344263991998451)

# The same book, tomato fertilizers in one plot: published difference 1.69, t = 0.44 with 9 df.
TOMATO_A = [29.9, 11.4, 25.3, 16.5, 21.1]
TOMATO_B = [26.6, 23.7, 28.5, 14.2, 17.9, 24.3]
TOMATO_DIFFERENCE, TOMATO_T, TOMATO_DF = 1.69333333333333, 0.44368483706557, 9

# t(0.975, df) x sqrt 2, the factor of the repeatability limit when s_r rests on df degrees of
# freedom; ISO 5725-6:1994, 4.1, takes s_r as known: 1.96 x sqrt 2 = 2.77 (2.8 in the standard).
LIMIT_FACTORS = {
    1: 17.969287064187508,
    2: 6.0848698445933085,
    3: 4.500658726456367,
    4: 3.9264863229551143,
    6: 3.4604559258206846,
    8: 3.2611823228941716,
    10: 3.151064183329407,
    20: 2.9499977977379195,
    30: 2.888209405762225,
    60: 2.8288483086779306,
    1000: 2.77516654207946,
}

# Two-sided 95% critical values of the largest |t| of k with one common variance of df degrees of
# freedom. Independent: Hochberg & Tamhane (1987), table of the studentized maximum modulus; AR(1)
# with 0.9: computed by quadrature (Genz & Bretz 2009 for the integrals), R mvtnorm agrees.
MAX_T_INDEPENDENT = {
    (2, 4): 3.3819941852793454,
    (2, 10): 2.6091042338223067,
    (2, 30): 2.3502929421401877,
    (5, 10): 3.1025274443501996,
    (5, 30): 2.731854871160966,
    (10, 10): 3.467411353422734,
    (10, 30): 3.004962665293183,
}
MAX_NORMAL_INDEPENDENT = {
    2: 2.2364766445577935,
    5: 2.5687631680133856,
    10: 2.7996252193010975,
    20: 3.0159945334899305,
    41: 3.2271557801447046,
}
MAX_NORMAL_AR1 = {
    2: 2.1081430698905548,
    5: 2.3406323408383516,
    10: 2.5455770504184714,
    20: 2.7673290598660296,
    41: 3.001201125709039,
}

# Dunnett (1955, 1964), two-sided 95% comparisons of k treatments with one control, groups of one
# size (correlation 0.5), by (k, df); quadrature, equal to the printed table (2.32 and 2.66) to its
# digits as far as remembered.
DUNNETT = {(2, 30): 2.320752245007416, (5, 30): 2.65685449121589}
