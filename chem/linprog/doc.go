// Package linprog solves small dense linear programs and says what stands in
// the way when there is no answer.
//
// The programs meant are of dosing shape: some ten variables in units that
// differ by a factor of a million, rows with a lower and an upper limit, many
// of them active at once. [Solve] finds the cheapest point with its shadow
// prices, [SolveInOrder] settles several aims one after another, [Elastic]
// finds the point that breaks the limits least, and [Infeasible] names a set of
// limits that cannot hold together.
//
// The method is the primal simplex on a condensed tableau with bounded
// variables and ranged rows: phase one lowers the sum of the infeasibilities,
// phase two the cost, and Bland's rule takes over while a vertex is stuck
// (G. B. Dantzig, Linear Programming and Extensions, 1963; R. G. Bland, "New
// finite pivoting rules for the simplex method", Math. Oper. Res. 2, 1977).
// Every answer is checked against the unscaled problem before it is returned.
//
// The package knows numbers only: no chemistry, no units, no input or output,
// no state between calls. It is not meant for sparse programs with thousands of
// rows, nor for whole numbers.
//
// Start reading at [Problem], then [Solve], then the type tableau.
package linprog
