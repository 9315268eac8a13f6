"""The model, once, in the letters of the papers. Nothing here runs; the code uses these letters.

Units: ratings, liking, effects and their deviations are points of the 1 to 7 scale; variances points squared; mass grams,
balance millimetres, speed metres a second; the loss factor has none. Judgements (no source) are marked J: they are starting
values, shown on the model's page and not tuned to data.

Ratings (`model.ratings`, `model.design`)
-----------------------------------------
Runs r = 1 ... N, player i(r), copy between two events k(r), C = 8 criteria, `overall` first. For one criterion

    y_r = x_r' beta + b_i(r) + a_k(r) + m_i(r)k(r) + e_r

    x (p,)      a row of the design: intercept, instrument, grade centred within the instrument, hold, settings x grade,
                place in the trial (late, first), masked or open and each x grade, bench traits, wishes x traits, tier
    beta (p,)   coefficients, prior N(mean, sd^2) a column (J)
    b           leniency of the player, N(0, sigma_p^2)
    a           effect of the copy, good or bad for everyone, N(0, sigma_a^2)
    m           match of this copy with this player, N(0, sigma_m^2)
    e           repeat noise of one rating, N(0, sigma^2)

lambda = variance / sigma^2, H = V / sigma^2 the covariance on the working scale, P = H^-1 - H^-1 X (X'H^-1X)^-1 X'H^-1.
The components maximise the restricted likelihood (Patterson & Thompson 1971, Biometrika 58: 545; criterion as in Bates,
Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1)), searched by average information (Gilmour, Thompson & Cullis 1995,
Biometrics 51: 1440) from MINQUE(0) (Searle, Casella & McCulloch 1992, Variance Components).

Little data. The prior of beta enters as p rows X_0 = diag(sigma_0 / sd), y_0 = X_0 mean with sigma_0 = .7 (J), so that it is
stated in units of the noise and follows the noise found: sd sigma / sigma_0 in points. Each ratio has a weakly informative prior
that keeps it off zero: gamma(2) of sqrt(lambda) (Chung et al. 2013, Psychometrika 78: 685) with its mode at the starting value.
The match and the noise are told apart only where a player rated a copy twice; so the share s = lambda_m / (1 + lambda_m) has the
prior Beta(2, b) with its *mode*, not its mean, at the starting value, as every other component has: without a rating the estimate
is the starting value itself, without repeats close to it, and the advice without trials is what the starting values describe.
sigma^2 has a scaled inverse chi-square prior worth 5 ratings (J).

After the fit, with xi independent of beta,

    a_k = effect_k - coupling_k' (beta - coef) + xi_k,   Cov(xi) block diagonal over the connected components of the graph of
                                                         players and copies

(best linear unbiased prediction; Searle et al. 1992, chapter 7), so x'beta + a_k has the weights x - coupling_k on beta.

Criteria together (`model.posterior`)
-------------------------------------
One correlation R (C, C) serves every component: coefficients, leniency and own bow, copies, matches, noise. For a component
whose covariance for criterion c alone is V_c, with the principal root L_c,

    Cov(z_c, z_d) = R_cd L_c L_d'.

It is exact for one criterion, a Kronecker product where the criteria have equal V_c, and positive semi-definite by construction
whatever the data, since it is the covariance of L_c (sum over d of A_cd u_d) with R = A A' and independent unit u_d. A correlation
of its own for each component would be better where there are many trials; with few it is noise, and it need not be a covariance.
Principal roots rather than Cholesky's, because these would let the answer depend on the order in which copies are listed.
R is the pooled correlation of the residuals y - x'beta over all pairs of criteria rated in one run, mixed with .5 (J) counted as 50
runs (J), eigenvalues below 1e-6 lifted.

The own bow (`model.preference.own_bow_law`)
--------------------------------------------
The player's own bow is rated x_own' beta + shift + (b + d) + e: no copy, no match; x_own has the intercept, the instrument, the hold
and the place in the trial, and no grade. Its rows stay out of the fit. Over the players, r_0 the mean residual on the own bow, rated
n_0 times, r the mean residual on the others:

    Cov(b, b + d) = Cov(r_0, r),   Var(b + d) = Var(r_0) - sigma^2 mean(1 / n_0),   Var(b) = sigma_p^2.

Both moments are mixed with the belief (own bow 4.5 +- .8, d independent of b; J) as 20 players (J) against those there are, and the
shift as 4 (J); nothing is switched at a number of players, so nothing jumps. The shift's own uncertainty is counted into
Var(b + d). Clipped to a correlation of at most .99, hence a covariance.

A wish for a lighter or heavier bow multiplies the copy's deviation in mass from the own bow where that one's mass is known, else
from its tier's mean: 'lighter' is said with the bow in hand in mind. In units of the instrument's spread within tiers, at most 3.

Stretches between events (`model.levels`)
-----------------------------------------
A copy that was rehaired, recambered or repaired is another level, a_t. From one stretch to the next

    a_t = rho a_{t-1} + sqrt(1 - rho^2) sigma_a u_t,   rho = .7 rehaired, .5 recambered or repaired, 1 moved (J)

The fit takes the levels as independent; what the data alone say of each, precision 1/v - 1/sigma_a^2, goes through the filter of this
chain (Kalman 1960, J. Basic Eng. 82: 35). One rehair and no later rating: mean rho a, variance rho^2 v + (1 - rho^2) sigma_a^2. Mean and
variance are exact for a copy alone; what copies share is taken from the fit's independent levels by the filter's weights, scaled
down where that would explain more than the variance.

One player (`model.player`, `model.personal`)
---------------------------------------------
Every latent quantity is f_c' u with standard normal u over [coefficients (p), leniency and own bow (2), tiers that came after the fit],
two of them covarying by R_cd f_c . f_d; copies' effects and matches come on top. With own ratings y (O,), Gram G = their covariance
(one noise a run, the same copy's effect and match shared), cross-covariance K (n, O):

    mean + K G^-1 (y - mean_y),   cov - K G^-1 K'          (Rasmussen & Williams 2006, appendix A.2)

    u = (1 - h) overall + h sum_c w_c y_c,   w rank-order-centroid weights (Barron & Barrett 1996, Manag. Sci. 42: 1515), h = 1/2 (J)

fit_t is u of a copy of tier t not yet played, all noise in. Criteria on which the own bow was not rated leave the comparison with it on
both sides, the others' weights rescaled. The law handed on is of the T tier means, m ~ N(mu, C), a copy's u = m_t + s_t epsilon with
s_t^2 = sigma_a^2 + sigma_m^2 + what unseen bench traits bring.

Named copies are independent given the tier mean: copy k has u = m_t + offset_k + spread_k epsilon_k, with spread_k^2 its exact marginal
variance less Var(m_t) (at least 1e-6). Copies of one tier do share more, or less, than m_t; keeping their joint law would need one
dimension of integration a copy, where the plan has one a tier.

The plan (`model.copies`)
-------------------------
Copies of tier t: S_t^2 = s_t^2 + sigma^2 / plays, F_t = Phi((x - m_t) / S_t)^n_t. The player takes home the best *rated* bow, own bow
included; gain and chance are integrals over x and m, Gauss-Hermite over m. Checked against expected normal order statistics
(Tippett 1925, Biometrika 17: 364).

When the copies outgrow memory
------------------------------
A block of m copies between events holds C m^2 float64 (64 m^2 bytes: 1 MB for 125, 64 MB for 1,000, 1.6 GB for 5,000) and
takes C m^3 operations for its roots. Dealers share few copies, so blocks are those of single shops and stay small. Where one
does not: keep Cov(xi) as its diagonal (a copy's own variance stays exact; only what one copy's trial tells of another's is
lost), or leave copies that were sold long ago out of the block, their effects being asked for no more.
"""
