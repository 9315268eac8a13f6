"""The model, once, in the letters of the papers. Nothing here runs; the code uses these letters.

Units: ratings, liking, effects and their deviations are points of the 1 to 7 scale; variances points squared; mass grams,
balance millimetres, speed metres a second; the loss factor has none. Judgements (no source) are marked J: they are starting
values, shown on the model's page and not tuned to data.

Ratings (`model.ratings`, `model.design`)
-----------------------------------------
Runs r = 1 ... N, player i(r), copy between two events k(r), C = 8 criteria, `overall` first. For one criterion

    y_r = x_r' beta + z_r' b_i(r) + a_k(r) + m_i(r)k(r) + e_r

    x (p,)      a row of the design: intercept, instrument, grade centred within the instrument, hold, settings x grade,
                place in the trial (late, first), masked or open and each x grade, bench traits, wishes x traits, tier
    beta (p,)   coefficients, prior N(mean, sd^2) a column (J)
    z (Q,)      level (1), own bow, grade, mass, balance, brightness: what players differ on (design.PLAYER_COLUMNS); traits here
                against the instrument's mean, the tier's mean and the copy's deviation together, in x against the tier's
    b (Q,)      the player's level (leniency) and slopes (tastes), N(0, Sigma_b), Sigma_b unstructured
    a           effect of the copy, good or bad for everyone, N(0, sigma_a^2)
    m           match of this copy with this player, N(0, sigma_m^2)
    e           repeat noise of one rating, N(0, sigma^2)

lambda = variance / sigma^2, H = V / sigma^2 the covariance on the working scale, P = H^-1 - H^-1 X (X'H^-1X)^-1 X'H^-1.
The components maximise the restricted likelihood (Patterson & Thompson 1971, Biometrika 58: 545; criterion as in Bates,
Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1)), searched by average information (Gilmour, Thompson & Cullis 1995,
Biometrics 51: 1440) from MINQUE(0) (Searle, Casella & McCulloch 1992, Variance Components).

Little data. The prior of beta enters as p rows X_0 = diag(sigma_0 / sd), y_0 = X_0 mean with sigma_0 = .7 (J), so that it is
stated in units of the noise and follows the noise found: sd sigma / sigma_0 in points. The mean of a tier's coefficient on a
criterion is .3 a step (J) of what its maker says of it there, from -2, much less than is usual for its grade, to 2, much more; its
sd .5 (J), .4 (J) where the maker has spoken, which at the starting values is worth 8 ratings, each by another player of another
copy. A tier that came after the fit has what its maker says now, one that was fitted what was said then. Each ratio has a weakly informative prior
that keeps it off zero, with its mode at the starting value: the player's a Wishart density, the same with slopes or without (below),
the copy's gamma(2) of sqrt(lambda) (Chung et al. 2013, Psychometrika 78: 685).
The match and the noise are told apart only where a player rated a copy twice; so the share s = lambda_m / (1 + lambda_m) has the
prior Beta(2, b) with its *mode*, not its mean, at the starting value, as every other component has: without a rating the estimate
is the starting value itself, without repeats close to it, and the advice without trials is what the starting values describe.
sigma^2 has a scaled inverse chi-square prior worth 5 ratings (J).

After the fit, with xi independent of beta,

    a_k = effect_k - coupling_k' (beta - coef) + xi_k,   Cov(xi) block diagonal over the connected components of the graph of
                                                         players and copies

(best linear unbiased prediction; Searle et al. 1992, chapter 7), so x'beta + a_k has the weights x - coupling_k on beta.

Tastes. Players are eliminated one by one as blocks of Q, copies keep one dense block a connected component. Newton's steps go on
Sigma_b itself, not on its root (whose score vanishes where a column is zero), inside the cone of covariances; a singular Sigma_b is a
result. Its prior is a Wishart density with its mode at the starting values, slopes .3 a grade and .2 a unit of a trait (J), that
vanishes where Sigma_b is singular (Chung, Gelman, Rabe-Hesketh, Liu & Dorie 2015, J. Educ. Behav. Stat. 40: 136).

Which columns of z have slopes is averaged, criterion by criterion, over nested sets s: own bow; own bow, grade; own bow, grade,
traits. With l_is the log density of player i's ratings given those of all other players, at the components of set s,

    y_i | y_-i:  residual P_ii^-1 (Py)_i,  covariance sigma^2 P_ii^-1,   l_is less tr(I (I + I_0)^-1) / players for having seen i,

w maximises sum_i log sum_s w_s exp(l_is) (stacking; Yao, Vehtari, Simpson & Gelman 2018, Bayesian Anal. 13: 917). I is the
information of the ratings on the variances' parameters (average information), I_0 that of their priors: the trace is the number
of parameters that the ratings tell (Spiegelhalter, Best, Carlin & van der Linde 2002, J. R. Stat. Soc. B 64: 583, sec. 2.3). From the
largest set on, of what leads by z standard errors over the next smaller one the share (1 - 1 / z^2)+ stays (positive-part Stein
estimator; Efron & Morris 1973, J. Am. Stat. Assoc. 68: 117): slopes that do not show in players left out are none. The largest set
has 5 players' worth (J) of belief besides, so that slopes stand as believed before the first rating and fade, and nothing is switched
off at a number of players. The variances are the weighted means of the sets', the mixture's own, 0 where a set has no slope; all
else follows from them. The own bow's slope always stays: it has no copy's effect, so its slope is what tells one player's own bow
from another's.

Criteria together (`model.together`, `model.posterior`)
-------------------------------------------------------
Each component has its own correlations R over the criteria: what is unknown of x'beta, player (level and own bow), tastes, copies,
matches, noise. For a component whose covariance for criterion c alone is V_c, with the root L_c,

    Cov(z_c, z_d) = R_cd L_c L_d'.

It is exact for one criterion, a Kronecker product where the criteria have equal V_c, and positive semi-definite by construction
whatever the data, since it is the covariance of L_c (sum over d of A_cd u_d) with R = A A' and independent unit u_d. For a player's own
effects L_c is the lower root, level first, so that one R serves what goes along with the level and another what does not; elsewhere
the principal root, because Cholesky's would let the answer depend on the order in which copies are listed.

R is estimated pair by pair of criteria from bilinear forms of each one's own rows, q_m = y_c'P_c Z_m Z_m' P_d y_d, equated to
their expectations (MIVQUE with two responses; Searle, Casella & McCulloch 1992, chapter 11). No gap is filled: where whole
trials leave a criterion out, filling by the fitted value and the other criteria's residuals was biased by .1 to .2 in simulation.
Each R is drawn towards the pooled correlation of residuals, that towards .5 (J), each belief worth 20 levels seen without noise (J);
eigenvalues below 1e-6 are lifted, those of the noise below .05, since whole marks alone leave each
criterion 1/12 of a point squared of its own. One pooled R for all components gained nothing over each criterion by itself for players held
out; one R a component did (players' levels correlate by .8, the noise of one sheet by .3 in the demo).

Effects of all criteria together (`model.effects`, `model.mixed.joint_prediction`)
----------------------------------------------------------------------------------
With the components at their estimates, coefficients and copies' effects theta = (beta, a) of all criteria are predicted together,

    (sum_i D_i' V_i^-1 D_i + P) theta = sum_i D_i' V_i^-1 y_i + P mu,

V_i player + match + noise of player i's ratings over all criteria, P the prior precision: of beta R_cd with the criteria's prior
deviations, of a copy T_k^-1 (x) Sigma_a^-1, Sigma_a = R_copy s s', T_k the products of rho from stretch to stretch (Henderson & Quaas 1976,
J. Anim. Sci. 43: 1188). What a criterion's own ratings leave open of a copy the others tell. Held out by player, the squared error of
the overall mark fell by .013 (2.8 standard errors) on the demo, and on worlds drawn anew (DEVELOPERS.md). Only expectations are
joint: with each criterion's own variances intervals hold what they should. A level's expectation counts all that was rated before
and after it; what a later stretch keeps of it is rho times as much.

The own bow in a fit with tastes (`model._own_level`). Own bows are among the rows there, each at a level a_o of its component, f_o
the share of their runs at it. With the column j that is 1 for own bows alone,

    beta' = beta + e_j sum_o f_o (a_o - effect_o)

stands for beta from there on, and copies' effects are regressed on it: ratings tell the sum far better than its two parts, so
leaving the level out told an own bow less well known than it is, and as if it went with other bows otherwise than it does.

The own bow (`model.preference.own_bow_moments`)
------------------------------------------------
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
chain (Kalman 1960, J. Basic Eng. 82: 35), for the variances; expectations follow the chain in the joint prediction. One rehair and no
later rating: mean rho a, variance rho^2 v + (1 - rho^2) sigma_a^2. The variance is exact for a copy alone; what copies share is taken
from the fit's independent levels by the filter's weights, scaled down where that would explain more than the variance.

One player (`model.player`, `model.personal`)
---------------------------------------------
Every latent quantity is f_c' u with standard normal u over [coefficients (p), tiers that came after the fit, level and slopes (Q),
the own bow's match, gamma], two of them covarying by the sum over these parts of R_cd f_c . f_d; copies' effects and matches come on top. With own ratings y (O,), Gram G = their covariance
(one noise a run, the same copy's effect and match shared), cross-covariance K (n, O):

    mean + K G^-1 (y - mean_y),   cov - K G^-1 K'          (Rasmussen & Williams 2006, appendix A.2)

Of the own bow's marks y_o those are left out of y that would raise a lead u_k - u_own (overall, of a tier or a copy): while the
coefficient of some y_o in E[u_k - u_own | y] is positive for some k, the one with the most positive coefficient goes
(`model.own_marks`). It depends on which marks are given, not on their values, so no chance to beat the own bow rises with its marks.

What is liked, u, is the overall rating without its noise; fit_t is the rating of a copy of tier t not yet played, all noise in. The law
handed on is of the T tier means, m ~ N(mu, C), a copy's u = m_t + s_t epsilon with s_t^2 = sigma_a^2 + sigma_m^2 + what bench traits that nobody
measured bring + how sure the profile below is.

Priorities (`model.profile`). Of copy k let q_kc be what everybody finds of it on criterion c beyond the mean over its instrument's tiers:
grade, tier, the bench traits' common slopes and the copy's effect. The overall rating of a player with the priorities pi has

    + gamma h_k,   h_k = sum_c (pi_c - 1/7) q_kc,   pi rank-order-centroid weights (Barron & Barrett 1996, Manag. Sci. 42: 1515),

and of one without none; the own bow has none. gamma ~ N(.2, .1^2) before any trial (J). With trials: the players are dealt into four
folds, q of each fold's bows comes from the others' ratings (the joint prediction at the same components), and gamma is the coefficient of the
column in generalised least squares of all the fold's ratings, V_i as above (`model.effects.fitted_profile`). A player's own marks would
tell in part of themselves otherwise. In the law gamma's uncertainty is shared by all bows, one feature sd(gamma) E[h_k]; the rest of the second
moments of gamma h_k,

    E[gamma^2] Var(h_k),  and  E[gamma] Cov(q_kc, h_k) with what everybody finds on criterion c,

is each copy's own, and joins its match; that bows of one tier share some of it is left out.

A trait x that was not measured is N(0, v) in its tier's spread: v = 1 a reading, two in brightness, and 0 where the bench has no reading
of any copy of the tier, since what copies differ by is in sigma_a then (`model.own_parts`). With the slope g_c on criterion c, everybody's, the
wish's and the player's own together, x g_c has the mean 0, is uncorrelated with all that is linear in the slopes, and

    Cov(x g_c, x g_d) = v E[g_c g_d],

the slopes' posterior means and variances both counted. It is the copy's own and joins its match: in the spread of an unknown copy, in the
variance of a named one, among the ratings of one copy, and nowhere else. The product x g is not Gaussian; the law has its first two
moments. What x brings to everybody is in the effect of a copy that was rated: of that part the share of the effect's variance that is still open
is counted, 1 for one never rated.

The case (`model.trial`)
------------------------
The likings of the bows at hand, of copies not yet played and of the own bow, u ~ N(mu, C), are one joint law given all own ratings
(`model._here`): copies' effects share their block, copies not yet played have m_t and s_t epsilon of their own. Without a bow u_0 = 5,
fixed. At the trial each bow of a case S and the own bow give one rating y = u + e; the bow with the highest expectation after it is taken.
With M = E[u | y], M ~ N(mu, V), V = C_.A (C_AA + sigma^2 I)^-1 C_A., A = S and the own bow,

    gain(S) = E[max over own and S of M] - mu_0,        chance(S) = P(u_k > u_0 for some k in S),

over scrambled Sobol points, each with its mirror image (Owen 1998, ACM TOMACS 8: 71), the same for all cases; the chance by separation of
variables, bow after bow (Genz 1992, J. Comput. Graph. Stat. 1: 141). M of a larger case is a martingale over that of a smaller one, so
neither figure falls with a bow more. Chosen is the highest gain less kappa a bow (.01 in the shop, .03 by post, J, or the dealer's own), by
a greedy search with exchanges over the forty bows that promise most alone, within the floors: three bows, bows of two tiers unless that costs
more than .05 (J), three tiers and six bows at most, one beyond the budget, and what the player rated above the own bow. Rows of 1 to 6 bows
lead through the case: one fewer drops the least useful, one more adds the most useful.

Verdict, from p = P(u_k > u_0 + .3 for some k in S) (.3 points: what one would notice, J): trial from .5, curious from .2, else keep (J).

The ladder without a budget: the tier liked most (of those within .1 the cheapest), the cheapest, and between them the one with the highest
m_t - lambda log(price), lambda held within 0 and 1, what is believed of it included. Prices are weighed nowhere else.

Told is P(u_k > u_own), of true likings, with its logit `slope` times as large where the check-up found that chances of marks came true
less, or more, surely than told (`model.calibration`, `model.reliability`, `model.chances`): one map for every chance.

What people keep (`model.choice`)
---------------------------------
Conditional logit (McFadden 1974) over the bows of a trial, the own bow included:

    V = gamma_1 overall + gamma_2 priorities + gamma_3 log(price / reference) [not the own bow] + gamma_4 [own bow]

gamma_1, gamma_2 >= 0, prior N(.9, .5^2) each, -.5 +- .5, .5 +- 1 (J); the reference is the budget, else the trial's median price.
h = gamma_2 / (gamma_1 + gamma_2) is the priorities' share in what people decide by, 1/2 before any outcome; it is told and weighs nowhere in u. lambda = -gamma_3 / (gamma_1 + gamma_2) is in points
of liking for a price e times as high; what the standing of a trial uses is lambda_u = lambda held within 0 and 1, times the share of what
is known of gamma_3 that outcomes told (1 - its variance now / before): 0 without outcomes, since a belief alone would name the
cheapest tier: it weighs what more of a dearer tier may win during a trial (`model.stopping`). What is shown is the liking, not net of price.

The trial (`model.blinding`, `model.stopping`, `model.headtohead`)
------------------------------------------------------------------
The copies are played in the order of a row of a Williams square (Williams 1949, Aust. J. Sci. Res. A 2: 149), rows taken in turn from
trial to trial: over all rows every copy follows every other one equally often. The own bow is put between two of them at a place that
goes round too, so that it parts every two copies equally often, and comes again at the end. A hidden repeat tells the match and the
noise apart; it stands in trials 0, 3, 6, 9 of every eleven.

Standing. The true likings of the B bows here, u ~ N(mu, C), are exactly joint given all own ratings: copies' effects share their block,
matches are each copy's own, everything else is in the features above (`model._here`). With
u of one more sheet y = u_k + e, the means after it are mu + b Z, b = C_.k / sqrt(C_kk + sigma_u^2), Z standard normal, and

    P(i is best) = P(u_i > u_j, all j), an orthant by separation of variables (Genz 1992, J. Comput. Graph. Stat. 1: 141),
    worth of a play = E[max_i (mu_i + b_i Z)] - max_i mu_i  (Frazier, Powell & Dayanik 2009, INFORMS J. Comput. 21: 599),

two plays at once likewise with b (B, 2). An unknown copy of tier t is one more bow with mean m_t, covariance Cov(m_t, u) and variance
C_tt + s_t^2; its worth counts that it will be rated once, noise included. Without noise, and beside bows that are known, it is the
expected improvement (Jones, Schonlau & Welch 1998, J. Glob. Optim. 13: 455).

What is said, the first that holds: go on, while bows to come may be the best with 5 % or more (J), or the order holds second plays
and the leader is the best with less than 80 % (J); else, of playing the leader and its closest rival again (worth less 2 x .02, J, and
only while the leader is not at 80 %) and of one or two more copies (worth less the carrying cost each), the one that wins most, if it wins
anything; else stop with the highest mean, the own bow among them.

Head-to-head. In n pairs r are won. Two of Wald's tests (1947, Sequential Analysis) run together, p = 1/2 against .85 for either bow,
alpha = .10 a side, beta = .20: yes from r >= h_1 + s n on, no from r <= -h_0 + s n on; each keeps its first verdict, two no are 'no
settled preference', 20 pairs the most. Four to none is a yes. How it fares is exact, by recursion over (n, r, who has said no): without
a preference .095 either way, .800 none, .011 not settled, after 7.8 pairs; with 17 of 20 pairs won .879 right after 6.7 pairs; with 3 of
4 won .623 right, .339 none (against 3/4, which takes six to none: .076 either way without a preference, .724 right after 11.8 pairs).
Fixed numbers of pairs: binomial, as in ISO 5495.

Pairs in the standing (`model._pairs`). Each of two bows played one after the other pleases by u plus the noise of one rating, so that
the first is preferred with probability Phi((u_i - u_j) / (sigma_u sqrt 2)) (Thurstone 1927, Psychol. Rev. 34: 273, case V). All pairs of
one two are one factor of their difference d; the normal law after it has the exact mean and covariance, by quadrature over d. With
several twos, expectation propagation (Minka 2001, UAI 17: 362). When the pairs were ended plays no part (likelihood principle); those
answered after the letters were revealed do not count. The order within a pair is balanced by fours and not modelled.

Plays to find the best of k bows with probability P*: n = (tau sigma / lead)^2, integral of phi(x) Phi(x + tau)^(k - 1) = P*
(Bechhofer 1954, Ann. Math. Statist. 25: 16).

When the copies outgrow memory
------------------------------
A block of m copies between events holds C m^2 float64 (64 m^2 bytes: 1 MB for 125, 64 MB for 1,000, 1.6 GB for 5,000) and
takes C m^3 operations for its roots. Dealers share few copies, so blocks are those of single shops and stay small. Where one
does not: keep Cov(xi) as its diagonal (a copy's own variance stays exact; only what one copy's trial tells of another's is
lost), or leave copies that were sold long ago out of the block, their effects being asked for no more.
"""
