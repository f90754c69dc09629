package main

import (
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"sort"
	"strings"
)

// Kinds of mutants.
const (
	boundary   = "BOUNDARY"   // < and <=, > and >=
	negation   = "NEGATION"   // a comparison or condition says the opposite
	arithmetic = "ARITHMETIC" // + and -, * and /, % becomes *
	sign       = "SIGN"       // a minus before a number is left out
	step       = "STEP"       // ++ and --
	logical    = "LOGICAL"    // && and ||
	extreme    = "EXTREME"    // min and max, floor and ceil
)

// notTried is what these mutants leave out, said with every result.
const notTried = "not tried at all: statements left out, values of constants and literals, bit operations, texts, the steps of for loops, generic code"

// mutant is one small change of the package, switched on by its number.
type mutant struct {
	n    int
	kind string
	file string // base name
	line int
	fn   string // function it stands in, with its receiver
	text string // source of what is changed
	to   string // what happens to it
}

// key names a mutant without its line, so that it is found again when lines shift.
func (m mutant) key() string { return fmt.Sprintf("%s %s %s %s", m.file, m.fn, m.kind, m.text) }

// edit replaces del bytes at off. Closers stand before openers, inner before outer.
type edit struct {
	off, del int
	text     string
	closer   bool
}

// maker rewrites one package so that all its mutants are in it, asleep.
type maker struct {
	fset  *token.FileSet
	info  *types.Info
	src   []byte // of the present file
	base  int    // its position 0
	name  string
	fn    string
	edits []edit
	out   []mutant
	next  int
}

// file returns the source of a file with its mutants in it.
func (k *maker) file(name string, f *ast.File, src []byte) []byte {
	k.name, k.src, k.base, k.edits = name, src, k.fset.File(f.Pos()).Base(), nil
	for _, d := range f.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Body == nil || d.Type.TypeParams != nil {
				continue
			}
			k.fn = d.Name.Name
			if d.Recv != nil && len(d.Recv.List) == 1 {
				k.fn = strings.TrimPrefix(types.ExprString(d.Recv.List[0].Type), "*") + "." + k.fn
			}
			ast.Inspect(d.Body, k.visit)
		case *ast.GenDecl:
			if d.Tok == token.VAR {
				k.fn = "package"
				ast.Inspect(d, k.visit)
			}
		}
	}
	sort.SliceStable(k.edits, func(i, j int) bool { return k.edits[i].off < k.edits[j].off })
	var out []byte
	at := 0
	for i := 0; i < len(k.edits); {
		j := i
		for j < len(k.edits) && k.edits[j].off == k.edits[i].off {
			j++
		}
		out = append(out, k.src[at:k.edits[i].off]...)
		at = k.edits[i].off
		for c := j - 1; c >= i; c-- {
			if k.edits[c].closer {
				out = append(out, k.edits[c].text...)
			}
		}
		for _, e := range k.edits[i:j] {
			if !e.closer {
				out = append(out, e.text...)
				at = max(at, e.off+e.del)
			}
		}
		i = j
	}
	return append(out, k.src[at:]...)
}

func (k *maker) off(p token.Pos) int { return int(p) - k.base }

func (k *maker) source(n ast.Node) string {
	return strings.Join(strings.Fields(string(k.src[k.off(n.Pos()):k.off(n.End())])), " ")
}

func (k *maker) open(p token.Pos, text string) {
	k.edits = append(k.edits, edit{off: k.off(p), text: text})
}
func (k *maker) shut(p token.Pos, text string) {
	k.edits = append(k.edits, edit{off: k.off(p), text: text, closer: true})
}
func (k *maker) replace(p token.Pos, del int, text string) {
	k.edits = append(k.edits, edit{off: k.off(p), del: del, text: text})
}

// add makes a mutant and returns its number.
func (k *maker) add(kind string, n ast.Node, to string) int {
	k.out = append(k.out, mutant{n: k.next, kind: kind, file: k.name, line: k.fset.Position(n.Pos()).Line, fn: k.fn, text: k.source(n), to: to})
	k.next++
	return k.next - 1
}

func (k *maker) visit(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.GenDecl:
		return n.Tok == token.VAR
	case *ast.ForStmt:
		for _, part := range []ast.Node{n.Init, n.Cond, n.Body} {
			if part != ast.Stmt(nil) && part != ast.Expr(nil) && part != (*ast.BlockStmt)(nil) {
				ast.Inspect(part, k.visit)
			}
		}
		return false // the step makes endless loops
	case *ast.BinaryExpr:
		k.binary(n)
	case *ast.UnaryExpr:
		k.unary(n)
	case *ast.IfStmt:
		switch ast.Unparen(n.Cond).(type) {
		case *ast.Ident, *ast.CallExpr, *ast.SelectorExpr, *ast.IndexExpr:
			if k.plainBool(n.Cond) {
				k.open(n.Cond.Pos(), fmt.Sprintf("mutantSame(%d, ", k.add(negation, n.Cond, "negated")))
				k.shut(n.Cond.End(), ")")
			}
		}
	case *ast.IncDecStmt:
		if k.number(n.X) && !calls(n.X) {
			op, to := "+=", "++ became --"
			if n.Tok == token.DEC {
				op, to = "-=", "-- became ++"
			}
			k.replace(n.TokPos, 2, fmt.Sprintf(" %s mutantStep(%d, %s)", op, k.add(step, n, to), k.source(n.X)))
		}
	case *ast.AssignStmt:
		k.assign(n)
	case *ast.CallExpr:
		k.call(n)
	}
	return true
}

var comparisons = map[token.Token][3]string{
	token.LSS: {"mutantLess", "<=", ">="}, token.LEQ: {"mutantAtMost", "<", ">"},
	token.GTR: {"mutantMore", ">=", "<="}, token.GEQ: {"mutantAtLeast", ">", "<"},
}

var sums = map[token.Token][2]string{
	token.ADD: {"mutantAdd", "-"}, token.SUB: {"mutantSub", "+"}, token.MUL: {"mutantMul", "/"}, token.QUO: {"mutantDiv", "*"}, token.REM: {"mutantRem", "*"},
}

var assigned = map[token.Token]token.Token{
	token.ADD_ASSIGN: token.ADD, token.SUB_ASSIGN: token.SUB, token.MUL_ASSIGN: token.MUL, token.QUO_ASSIGN: token.QUO, token.REM_ASSIGN: token.REM,
}

func (k *maker) binary(n *ast.BinaryExpr) {
	if k.info.Types[n].Value != nil || shifts(n.X) || shifts(n.Y) {
		return
	}
	op := n.Op.String()
	if c, ok := comparisons[n.Op]; ok {
		if k.plainBool(n) && k.ordered(n.X) && k.ordered(n.Y) {
			id := k.add(boundary, n, op+" became "+c[1])
			k.add(negation, n, op+" became "+c[2])
			k.call2(n, fmt.Sprintf("%s(%d, ", c[0], id), ", ", ")")
		}
		return
	}
	if s, ok := sums[n.Op]; ok {
		if k.number(n) && k.number(n.X) && k.number(n.Y) {
			k.call2(n, fmt.Sprintf("%s(%d, ", s[0], k.add(arithmetic, n, op+" became "+s[1])), ", ", ")")
		}
		return
	}
	if !k.plainBool(n) {
		return
	}
	switch n.Op {
	case token.EQL, token.NEQ:
		to := "== became !="
		if n.Op == token.NEQ {
			to = "!= became =="
		}
		k.open(n.Pos(), fmt.Sprintf("mutantSame(%d, ", k.add(negation, n, to)))
		k.shut(n.End(), ")")
	case token.LAND:
		k.call2(n, fmt.Sprintf("mutantAnd(%d, ", k.add(logical, n, "&& became ||")), ", func() bool { return (", ")})")
	case token.LOR:
		k.call2(n, fmt.Sprintf("mutantOr(%d, ", k.add(logical, n, "|| became &&")), ", func() bool { return (", ")})")
	}
}

// call2 makes a call of an operation.
func (k *maker) call2(n *ast.BinaryExpr, head, middle, tail string) {
	k.open(n.X.Pos(), head)
	k.replace(n.OpPos, len(n.Op.String()), middle)
	k.shut(n.Y.End(), tail)
}

func (k *maker) unary(n *ast.UnaryExpr) {
	switch {
	case k.info.Types[n].Value != nil:
	case n.Op == token.SUB && k.number(n.X):
		k.replace(n.OpPos, 1, fmt.Sprintf("mutantMinus(%d, ", k.add(sign, n, "- left out")))
		k.shut(n.X.End(), ")")
	case n.Op == token.NOT && k.plainBool(n) && k.plainBool(n.X):
		k.replace(n.OpPos, 1, fmt.Sprintf("mutantNot(%d, ", k.add(negation, n, "! left out")))
		k.shut(n.X.End(), ")")
	}
}

func (k *maker) assign(n *ast.AssignStmt) {
	op, ok := assigned[n.Tok]
	if !ok || len(n.Lhs) != 1 || !k.number(n.Lhs[0]) || calls(n.Lhs[0]) || shifts(n.Rhs[0]) {
		return
	}
	s := sums[op]
	id := k.add(arithmetic, n, n.Tok.String()+" became "+s[1]+"=")
	k.replace(n.TokPos, len(n.Tok.String()), fmt.Sprintf("= %s(%d, %s, ", s[0], id, k.source(n.Lhs[0])))
	k.shut(n.Rhs[0].End(), ")")
}

var twins = map[string]string{"Max": "Min", "Min": "Max", "Floor": "Ceil", "Ceil": "Floor"}

func (k *maker) call(n *ast.CallExpr) {
	if k.info.Types[n].Value != nil {
		return
	}
	switch f := n.Fun.(type) {
	case *ast.Ident:
		_, builtin := k.info.Uses[f].(*types.Builtin)
		if !builtin || len(n.Args) < 2 || f.Name != "min" && f.Name != "max" {
			return
		}
		for _, a := range n.Args {
			if !k.ordered(a) {
				return
			}
		}
		name, to := "mutantLow", "min became max"
		if f.Name == "max" {
			name, to = "mutantHigh", "max became min"
		}
		k.replace(f.Pos(), k.off(n.Lparen)+1-k.off(f.Pos()), fmt.Sprintf("%s(%d, ", name, k.add(extreme, n, to)))
	case *ast.SelectorExpr:
		x, ok := f.X.(*ast.Ident)
		if !ok {
			return
		}
		p, ok := k.info.Uses[x].(*types.PkgName)
		if twin := twins[f.Sel.Name]; ok && p.Imported().Path() == "math" && twin != "" {
			k.open(f.Pos(), fmt.Sprintf("mutantPick(%d, ", k.add(extreme, n, "math."+f.Sel.Name+" became math."+twin)))
			k.shut(f.End(), fmt.Sprintf(", %s.%s)", x.Name, twin))
		}
	}
}

func (k *maker) basic(e ast.Expr) *types.Basic {
	t := k.info.TypeOf(e)
	if t == nil {
		return nil
	}
	if _, generic := t.(*types.TypeParam); generic {
		return nil
	}
	b, _ := t.Underlying().(*types.Basic)
	return b
}

func (k *maker) number(e ast.Expr) bool {
	b := k.basic(e)
	return b != nil && b.Info()&types.IsNumeric != 0
}

func (k *maker) ordered(e ast.Expr) bool {
	b := k.basic(e)
	return b != nil && b.Info()&types.IsOrdered != 0
}

// plainBool: a condition of type bool itself, which the calls return.
func (k *maker) plainBool(e ast.Expr) bool {
	b, ok := k.info.TypeOf(e).(*types.Basic)
	return ok && b.Info()&types.IsBoolean != 0 && k.info.Types[e].Value == nil
}

func calls(e ast.Expr) (found bool) {
	ast.Inspect(e, func(n ast.Node) bool {
		_, call := n.(*ast.CallExpr)
		found = found || call
		return true
	})
	return found
}

func shifts(e ast.Expr) bool {
	b, ok := ast.Unparen(e).(*ast.BinaryExpr)
	return ok && (b.Op == token.SHL || b.Op == token.SHR)
}

// helpers is what the changed source calls. Asleep, a mutant costs a comparison.
const helpers = `
import (
	"cmp"
	mutantOS "os"
	"strconv"
	"sync"
	"sync/atomic"
)

type mutantNumber interface {
	~int | ~int8 | ~int16 | ~int32 | ~int64 | ~uint | ~uint8 | ~uint16 | ~uint32 | ~uint64 | ~uintptr | ~float32 | ~float64 | ~complex64 | ~complex128
}

type mutantInteger interface {
	~int | ~int8 | ~int16 | ~int32 | ~int64 | ~uint | ~uint8 | ~uint16 | ~uint32 | ~uint64 | ~uintptr
}

var mutantAwake = func() int {
	n, err := strconv.Atoi(mutantOS.Getenv("MUTANT"))
	if err != nil {
		return -9
	}
	return n
}()

var mutantSeen struct {
	sync.Mutex
	file  *mutantOS.File
	known [1 << 16]atomic.Bool
}

var mutantWatched = func() bool {
	name := mutantOS.Getenv("MUTANT_REACH")
	if name == "" {
		return false
	}
	f, err := mutantOS.OpenFile(name, mutantOS.O_APPEND|mutantOS.O_CREATE|mutantOS.O_WRONLY, 0o600)
	if err != nil {
		panic(err)
	}
	mutantSeen.file = f
	return true
}()

func mutantReach(n int) {
	if mutantSeen.known[n].Load() || mutantSeen.known[n].Swap(true) {
		return
	}
	mutantSeen.Lock()
	defer mutantSeen.Unlock()
	mutantSeen.file.WriteString(strconv.Itoa(n) + "\n")
}

func mutantOn(n int) bool {
	if mutantWatched {
		mutantReach(n)
	}
	return mutantAwake == n
}

func mutantSame(n int, b bool) bool { return b != mutantOn(n) }
func mutantNot(n int, b bool) bool  { return b == mutantOn(n) }

func mutantAnd(n int, a bool, b func() bool) bool {
	if mutantOn(n) {
		return a || b()
	}
	return a && b()
}

func mutantOr(n int, a bool, b func() bool) bool {
	if mutantOn(n) {
		return a && b()
	}
	return a || b()
}

func mutantLess[T cmp.Ordered](n int, a, b T) bool {
	if mutantOn(n) {
		return a <= b
	}
	if mutantOn(n + 1) {
		return a >= b
	}
	return a < b
}

func mutantAtMost[T cmp.Ordered](n int, a, b T) bool {
	if mutantOn(n) {
		return a < b
	}
	if mutantOn(n + 1) {
		return a > b
	}
	return a <= b
}

func mutantMore[T cmp.Ordered](n int, a, b T) bool {
	if mutantOn(n) {
		return a >= b
	}
	if mutantOn(n + 1) {
		return a <= b
	}
	return a > b
}

func mutantAtLeast[T cmp.Ordered](n int, a, b T) bool {
	if mutantOn(n) {
		return a > b
	}
	if mutantOn(n + 1) {
		return a < b
	}
	return a >= b
}

func mutantAdd[T mutantNumber](n int, a, b T) T {
	if mutantOn(n) {
		return a - b
	}
	return a + b
}

func mutantSub[T mutantNumber](n int, a, b T) T {
	if mutantOn(n) {
		return a + b
	}
	return a - b
}

func mutantMul[T mutantNumber](n int, a, b T) T {
	if mutantOn(n) {
		return a / b
	}
	return a * b
}

func mutantDiv[T mutantNumber](n int, a, b T) T {
	if mutantOn(n) {
		return a * b
	}
	return a / b
}

func mutantRem[T mutantInteger](n int, a, b T) T {
	if mutantOn(n) {
		return a * b
	}
	return a % b
}

func mutantMinus[T mutantNumber](n int, a T) T {
	if mutantOn(n) {
		return a
	}
	return -a
}

func mutantStep[T mutantNumber](n int, _ T) T {
	one := T(1)
	if mutantOn(n) {
		return -one
	}
	return one
}

func mutantLow[T cmp.Ordered](n int, a T, more ...T) T {
	high := mutantOn(n)
	for _, b := range more {
		if high {
			a = max(a, b)
		} else {
			a = min(a, b)
		}
	}
	return a
}

func mutantHigh[T cmp.Ordered](n int, a T, more ...T) T {
	low := mutantOn(n)
	for _, b := range more {
		if low {
			a = min(a, b)
		} else {
			a = max(a, b)
		}
	}
	return a
}

func mutantPick[F any](n int, f, twin F) F {
	if mutantOn(n) {
		return twin
	}
	return f
}
`
