package stats

// A Test is the outcome of one significance test.
//
// Where the question has no answer (no residual df, no spread, one group)
// Defined is false, Note says why and what would be needed, and the numbers
// are zero: NaN and infinities never appear, so a Test can always be written
// as JSON. An undefined test is a finding about the data; an error is kept for
// arguments that make no sense.
type Test struct {
	// Name is the usual name of the test, e.g. "Bartlett".
	Name string
	// Statistic is the value referred to the null distribution.
	Statistic float64
	// DF1 and DF2 are the degrees of freedom of an F statistic; t and
	// chi-square statistics have DF1 alone, exact rank tests neither.
	DF1, DF2 float64
	// P is the p value, two-sided unless Name or Note says otherwise.
	P float64
	// Defined is false where the test has no answer.
	Defined bool
	// Note explains an undefined test, or says how P was found.
	Note string
	// Warnings are caveats to print beside the result.
	Warnings []string
}

// undefinedTest returns a test without an answer and the reason.
func undefinedTest(name, why string) Test { return Test{Name: name, Note: why} }
