package rules

import (
	"context"
	"errors"

	"github.com/google/cel-go/cel"
)

// All limits on expressions. They are part of the engine level: raising one
// could turn a faulty decision of an old ledger into another.
const (
	mostSource  = 4000  // characters
	mostDepth   = 60    // recursion of the parser
	mostNodes   = 2000  // nodes of the syntax tree
	mostNesting = 2     // loops within loops
	mostSteps   = 50000 // steps of all loops of one evaluation together
)

var errStepLimit = errors.New("the loops take too many steps")

// stepLimit is a context that was cancelled before anything began. CEL looks
// at it each mostSteps loop steps only, so that loops end exactly there, on
// every machine. (Its cost limit is silently off while state is tracked.)
var stepLimit = func() context.Context {
	ctx, cancel := context.WithCancelCause(context.Background())
	cancel(errStepLimit)
	return ctx
}()

func parserLimits() []cel.EnvOption {
	return []cel.EnvOption{
		cel.ParserExpressionSizeLimit(mostSource), cel.ParserRecursionLimit(mostDepth), cel.ExpressionNodeLimit(mostNodes),
	}
}
