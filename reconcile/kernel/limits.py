"""Every tolerance and limit of the kernel, each with its reason."""

RANK_TOLERANCE = 1e-10
"""A pivot this small beside the largest is dependence: rounding leaves about 1e-14 for true
dependence, while the longest chains met (1,000 nodes in line) keep pivots above 1e-7."""

PROBE_TOLERANCE = 1e-7
"""Share of a row that must survive against random null-space moves to count as unobservable;
a solve with a condition number of 1e7 still leaves rounding below it."""

LEVERAGE_TOLERANCE = 1e-8
"""A reading whose adjustment keeps less than this share of its variance is nonredundant."""

BOUND_TOLERANCE = 1e-11
"""A bound counts as violated beyond this share of the unknown's own scale."""

DUST = 1e-30
"""Share of an unknown's scale below which it is the rounding of rounding, and nothing."""

MULTIPLIER_FLOOR = 1e-9
MULTIPLIER_RELATIVE = 1e-11
"""A multiplier has a sign beyond this much (in squared sds per unit of scale, and relative to the
largest term that it is the difference of)."""

KKT_TOLERANCE = 1e-9
"""Newton decrement at which the solve has converged: the remaining move of every estimate, in its
own posterior standard deviations, relative to 1 + the root of the objective."""

KKT_STALLED = 1e-6
"""Decrement still accepted when rounding stops all progress; the reply shows the value reached."""

ARMIJO = 1e-4
"""Share of the predicted decrease a step must deliver (Nocedal and Wright 2006, 3.4)."""

SHORTEST_STEP = 1e-10
"""A line search below this has found no descent."""

ZERO_STREAM = 1e-6
"""Share of the flow at its nodes at which a stream's mass is held while its assays still have a
meaning; one that stays there at the optimum is reported as zero.  Below it the assays' weight on
the mass leaves no digits for the balances."""

ZERO_READING = 1e-3
"""The same as a share of the stream's own mass reading, for streams that are small in truth."""

CANCELLED_PIVOT = 1e-15
"""A pivot below this beside a diagonal of one has cancelled to rounding; one takes its place, and
refinement makes up for it."""

SMALLEST_SCALE = 1e-8
"""Smallest scale of an unknown, as a share of its quantity's throughput."""

CLOSURE_TOLERANCE = 1e-9
"""Largest imbalance of a node, as a share of its quantity's throughput, that counts as closed."""

ACTIVE_SET_ROUNDS = 8
"""Rounds of wholesale changes before the interior point method takes over: where they settle,
they do so in two to five."""

POLISH_ROUNDS = 4
"""Rounds of wholesale changes from the end of the interior point method."""

BARRIER_ROUNDS = 60
BARRIER_END = 1e-12
"""Rounds of the interior point method at most (10 to 25 are usual), and the complementarity, gap
and imbalance, in squared sds and units of scale, at which it ends."""

TO_THE_BOUNDARY = 0.995
"""Share of the way to the nearest bound that one interior step may go."""

PRIOR_WEIGHT = 1e-2
"""Weight of the starting guess in the linear passes, per unit of scale: it decides only what no
reading decides."""

PROP_WEIGHT = 3e-4
"""Weight of the present point for what no reading determines, per unit of scale: it leaves no
trace, since each step has a present point of its own.  On 30 streams with half unread, 1e-3 took
twice the steps where a bound determined something badly (seed 4), and with 1e-4 rounding left
1e-6 of what was solved for, and walks went round in circles (seed 65)."""

LINEAR_PASSES = 3
"""Linear passes at most before the Newton steps; each renews the masses that assays are weighted
by."""

STEADY_DIVISOR = 0.1
"""Share by which a pass may move what an assay is divided by without another: the first Newton step
is then no longer than it would be after another pass, a few hundredths of a posterior sd."""

UNSTEADY_LANES = 0.25
"""Share of lanes side by side that a divisor may have moved in so much without another pass: a pass
is made for all, and costs as much as two or three of the later steps."""

DENSE_SIZE = 260
"""Largest number of degrees of freedom for which dense orthogonal factors beat the sparse
factor."""

SLOW_CONVERGENCE = 0.05
"""Ratio of successive decrements above which the left-out curvature is worth restoring."""

CG_STEPS = 30
CG_TOLERANCE = 1e-3
"""Conjugate-gradient steps at most, and the share of the decrement left when they may stop."""

MEASURABLE = 1e-13
"""Decreases below this share of 1 + the objective drown in its rounding; the step is then trusted
without a line search."""

MENDING_RISE = 2.0
"""Rise of the objective, beside the one predicted, that a step may bring which mends an imbalance:
the prediction is linear, and a step that rises by much more leads elsewhere."""

STALL_ROUNDS = 4
"""Steps without a smaller decrement after which rounding is taken to have stopped progress."""

SHRINK = 0.1
FALLING = 0.02
"""Least share of its present value that a divisor keeps in one step, and that of one that the step
before, near the optimum, was already to lessen so far: of a stream that empties, two or three such
steps leave nothing.  Where much is unread, refinement does not bear a thousandth."""

FURTHER_STARTS = 2
"""Random starts beside the regular ones where nothing was weighed: of 240 random flowsheets,
two of that kind had a better optimum that needed one of them."""

EXCESS_FOR_A_FLOW = 20
"""Readings beyond those it takes, for each flow that weighing leaves open, with which no second
optimum is looked for although a bound is at work: of 9,765 flowsheets of 6 to 30 streams with that
hint or slow convergence, and a tenth to half of their readings missing, 25 had a better one, and
the most such readings a flow among them were 13.  Slow convergence is a hint all the same: with
masses read to 40 % only, one in 240 had a better optimum (seed 216 of the peers' tests)."""

SAME_OBJECTIVE = 1e-9
"""Objectives this close (beside 1 + their size) belong to the same optimum."""

SAME_FIT = 1e-12
"""Objectives that differ by rounding: one lower by more, however little, has a reason for it."""

SAME_PLACE = 1e-6
"""Optima of the same objective that lie further apart than this share of the throughput are two."""

RESCALE_AFTER = 12
"""Newton steps after which unknowns are scaled anew: an unknown that has grown a thousandfold since
the start would otherwise carry a thousandfold rounding."""

VARIANCE_RESOLUTION = 1e-10
"""A variance that is the difference of terms this much larger is rounding and DUAL_SHIFT: zero, as
for the share of a node's only outlet."""

CANCELLING = 1e-4
"""A variance that is the difference of terms this much larger loses more digits than an sd to 1e-9
has to spare: the difference is formed before it is squared."""

PLAIN_STEPS = 7
"""Newton steps beyond which convergence counts as slow and further starts are tried."""

REAL_FALL = 1.0
"""Fall of the objective, in squared sds, by which a start that runs away must beat a sound optimum
before the sound one is not believed."""

RUNAWAY = 1e3
"""A mass this many times the throughput that the readings suggest has left all scale: the
objective falls for ever with it, and there is no optimum to report."""

SHORT_STEP = 0.25
"""A step cut to less than this share makes the next one a Gauss-Newton step, which is safer far
from the optimum."""

DUAL_SHIFT = 1e-11
"""Shift of the balances' pivots, which are of order one: it biases a covariance by this share."""

SURE_PIVOT = 1e-4
FAIR_PIVOT = 1e-8
"""Least pivot, about one being natural, down to which a factor without a shift gives sds as the
dense one does (to 1e-9 or so), and down to which they are truer than with :data:`DUAL_SHIFT`."""

UNDETERMINED_PIVOT = 1e-10
"""A last pivot below this says that nothing determines its unknown: above DUAL_SHIFT, below the
1e-7 or more that readings leave."""

SEEN = 1e-6
UNSEEN = 1e-11
"""What a balance sees of a move that no reading sees, beside the most that any sees: above the one
it is there, below the other it is rounding, and between them a factor of everything decides."""

REFINEMENTS = 12
SETTLED = 1e-15
"""Rounds of refinement at most, and the relative residual that needs no further one."""

SOLVE_BLOCK = 64
"""Right-hand sides solved together: enough to reuse the factor in cache, little memory."""

DEPENDENT_PIVOT = 1e-12
"""A pivot of the unit-size normal matrix below this is dependence: rounding leaves 1e-15."""

SMALLEST_WEIGHT = 1e-12
"""Least weight by which a loss's slope is divided; a reading that counts less has no say."""

SMALLEST_FREE_SCALE = 1e-3
"""The same for a difference that may be negative: its size says nothing while it passes zero."""

ORDER_SD = 1e-3
ORDER_ROUNDS = 12
"""How far an order may be broken, as a share of the grades that it compares, for a cost of one sd,
and how often its target is then shifted by what is still lacking (the method of multipliers:
Hestenes 1969; Powell 1969).  Each round lessens the breach by the square of this share over that
of the readings' own sds, some hundredfold; a stiffer cost takes many more steps to follow."""

PARALLEL = 1e-6
"""Relative size, and sine of the angle, below which what a reading sees of the open moves is
rounding: moves are solved to about 1e-10 beside their condition."""

ORDER_TOLERANCE = 1e-6
"""Change of an order's target, in the cost's own sd, that is not worth a further round; an order
whose target is shifted by more holds the estimate."""

HALF_WEIGHT = 0.5
"""A reading that a robust loss counts less than this is named as discounted."""

EASING = 10.0
LEAST_CAUTION = 1e-4
"""Factor by which a full step lessens, and a short one restores, the caution with robust losses;
and its least value, which keeps a discounted reading's unknowns determined."""

LONGEST_STEP = 1024.0
"""Longest multiple of a step that is tried where convergence is slow."""

SMALLEST_BESIDE_GUESS = 1e-3
"""Smallest scale of an unknown, as a share of its first guess.  Without it the multiplier of one
held at zero, which is per unit of scale, fell below MULTIPLIER_FLOOR whatever its sign."""

DEEP_STEPS = 6
"""Conjugate-gradient steps at most on the compiled road, near the optimum: what is left out there
bends a few directions only, and each takes one."""

LANE_STEPS = 50
LANE_HALVINGS = 30
LANE_REFINEMENTS = 8
"""Newton steps, halvings of a step and rounds of refinement at most where many sets of values go
side by side: a lane that needs more takes the general road, which has more means."""

TIED_PULP = 1e3
"""Water per solids, by mass, below which a stream whose solids vanish is a pulp that vanishes
whole; beyond it is water with a trace of solids, and runs on without them."""

MOST_SUSPECTS = 5
DISREGARDED = 1e4
"""Readings left out, one by one and in pairs, to find further optima of a redescending loss, and
the factor on their sd that leaves them out."""

SURELY_THERE = 10.0
"""An amount read this many sds above zero is there: fixed values that leave it no room contradict
the reading instead of emptying the stream."""

CLOSES_WELL = 1e-11
"""Imbalance beside the flows at a node beyond which the compiled road is not trusted: rounding
leaves 1e-15 to 1e-13, and the promise is 1e-9 of the throughput."""

LANES = 128
LANE_ROOM = 200_000
VECTOR = 8
"""Sets of values side by side at most, numbers that all of them may need together, and the multiple
that lanes come in: every loop begins anew for each entry of a matrix, which takes as long as some
tens of lanes, while what is worked on should stay in a near cache (1.6 MB here)."""

MOST_UNMET = 1e-9
"""Share of a linear system's right-hand side that may be left unmet after refinement: 1e-14 is
usual, and a pivot that has cancelled leaves 1e-3 or more."""

PASSES_UNMET = 1e-6
"""The same in the linear passes, which only improve a start: the prop of undetermined pivots is as
large as their weak pull there, and refinement, which takes it out slowly, leaves 1e-8 at times."""

LANE_SETTLED = 1e-12
"""Relative residual that needs no further refinement there: each step takes up what the one before
has left, so that balances close to rounding all the same.  With 1e-10, all that one substitution
leaves of DUAL_SHIFT, balances of small flows beside large ones closed to 1e-10 only."""

BLOCKS = 16
"""Blocks of lanes handed to the compiled loop at once: enough that Python costs nothing beside it,
few enough that time budgets are kept and memory stays small."""

UNMET = 1e-3
"""Share of a wanted imbalance that no move meets, beyond which there is no such imbalance: what
circulates and never leaves cannot leak.  Rounding leaves 1e-10, true cases the share of a node."""

MOST_BORDERED = 256
"""Bounds between unknowns that may hold at once on the compiled road.  Each costs a solve a step;
beyond, the general road, which has them in its pattern, is the faster one."""

MOST_AT_BORDER = 8
"""Unknowns at their own bounds that may stand at the border of a factor before it is made anew with
them inside: a factor costs as much as two solves of the smallest flowsheets and twenty of large."""

FOLLOWS = 1e-10
CANCELS = 1e-13
"""What is left of a bound at the border, beside its row in units of what readings tell and beside
what was there before the other bounds, below which it follows from them: DUAL_SHIFT leaves a tenth
of the one, and rounding a thousandth of the other."""

LOST_PIVOT = 1e-8
"""What is added to pivots of about one where readings are missing that the order counts on: a pivot
of this size loses half of the digits, and each round of refinement wins back eight of them."""

KEPT_BELOW = 0.1
KEPT_GAIN = 0.5
KEPT_RATE = 0.2
"""Newton decrement below which a step's factor is kept for the next; the share of the decrement
that such a step must leave at most, or it is not taken, and the next factor is kept from nearer by;
and the share above which it is the last on this factor.  A tenth of a posterior sd turns the rows
by some thousandths, and steps gain one to three digits; a factor costs as much as three or four."""

FORESEEN = 0.1
"""Share of KKT_TOLERANCE down to which a decrement may be foreseen by the rate at which steps on
one factor fall: the rate itself was up to twice as large at the next step."""

STRAGGLERS = 8
"""The last one in so many lanes go on in blocks of their own, with a factor of their own."""

KNOWN_WITHIN = 0.05
"""Share of a step of at most KEPT_BELOW within which its end must come to an optimum met before, in
all that was read, for the descent to be taken to lead there."""

BLOCK_ROUNDS = 3
SET_ROUNDS = 250
"""Rounds on the compiled road in which all wrong bounds are exchanged although they do not become
fewer (two to four settle it as a rule), and rounds in all: a walk takes one for each bound."""

LEAST_EXCHANGED = 0.4
"""Share of the wrong bounds that is exchanged at once, below which a lane walks from bound to bound
instead."""

STACK_ROUNDS = 12
"""The same in all where many sets of values go side by side: one that needs more holds up its
neighbours, and goes by itself."""

SECOND_ROUNDS = 20
"""The same for second opinions: where bounds take longer to find than this, a start is far from any
optimum; it is not too few for the one that shows that there is none (seed 1230 of the tests)."""

WRONG_FOR_A_ROUND = 10
"""Wrong bounds for each round that is left, beyond which a walk is not begun: it meets one a round,
and took five to ten times fewer rounds than bounds were wrong when it began."""

MOST_DAMPING = 1.0
"""Pull to the present point, per unit of scale, beyond which a step is given up; it starts at
PRIOR_WEIGHT and grows tenfold."""

SMALL_DIFFERENCE = 1e-3
"""Share of a typical stream that an unaccounted difference starts from."""

UNREAD_GRADE = 0.01
"""Grade assumed for a component that was read nowhere; it only scales unknowns."""

LARGEST_GRADE = 0.9
"""Largest grade a guess may start from, so that it is inside the bounds."""

SMALL_REST = 0.02
"""What the inlets leave for the unread outlets counts if it is more than this share of them."""
