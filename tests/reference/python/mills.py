"""Coefficients of the Mills ratio polynomial and reference values of the normal tail.

mpmath at 40 digits. With u = x/sqrt(2) and t = (u - 3.75)/(u + 3.75), the function
(1 + 2u) exp(u^2) erfc(u) is smooth on -1 <= t <= 1 (Shepherd & Laframboise, Math. Comp. 36 (1981)
249, give the same transformation); degree 22 leaves a truncation error of 1.3e-16.
Run from the repository root: python3 tests/reference/python/mills.py
"""
import mpmath
from mpmath import mp, mpf, erfc, exp, cos, pi, sqrt, log, log1p, npdf, nstr, polyval

mp.dps = 40
K = mpf("3.75")


def g(t):
    u = K * (1 + t) / (1 - t)
    if u > 25:
        f = mpf(0)
        for k in range(400, 0, -1):
            f = mpf(k) / 2 / (u + f)
        return (1 + 2 * u) / (sqrt(pi) * (u + f))
    return (1 + 2 * u) * exp(u * u) * erfc(u)


N, D = 80, 22
nodes = [cos(pi * (2 * k + 1) / (2 * N)) for k in range(N)]
values = [g(x) for x in nodes]
cheb = [2 * sum(v * cos(pi * j * (2 * k + 1) / (2 * N)) for k, v in enumerate(values)) / N for j in range(D + 1)]
cheb[0] /= 2
# To powers of t.
power = [mpf(0)] * (D + 1)
prev, cur = [mpf(1)], [mpf(0), mpf(1)]
for j in range(D + 1):
    poly = prev if j == 0 else cur
    for i, a in enumerate(poly):
        power[i] += cheb[j] * a
    if j >= 1:
        nxt = [mpf(0)] + [2 * a for a in cur]
        for i, a in enumerate(prev):
            nxt[i] -= a
        prev, cur = cur, nxt
with open("src/numeric/mills_coefficients.in", "w") as out:
    out.write("[\n" + "".join(f"    {nstr(a, 20, min_fixed=0, max_fixed=0)},\n" for a in power) + "]\n")
print("sum of absolute coefficients", nstr(sum(abs(a) for a in power), 5))

grid = [-37, -30, -20, -9.5, -8, -5, -3, -2.2, -1.5, -1, -0.999, -0.5, -0.01, 0, 0.01, 0.3, 1, 2, 3.7, 4.9, 5, 5.0001, 5.5, 7, 10, 15, 20, 26.5, 30, 38, 40]
rows = []
for z in grid:
    z = mpf(float(z))
    s = erfc(z / sqrt(2)) / 2
    l = log(s) if z > -5 else log1p(-erfc(-z / sqrt(2)) / 2)
    rows.append(f"    ({nstr(z, 17)}, {nstr(l, 20, min_fixed=0, max_fixed=0)}, {nstr(npdf(z) / s, 20, min_fixed=0, max_fixed=0)}),\n")
with open("src/numeric/tail_values.in", "w") as out:
    out.write("[\n" + "".join(rows) + "]\n")
