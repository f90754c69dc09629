package lab

import (
	"context"
	"fmt"
	"net"
	"time"

	"github.com/jackc/pgx/v5"
)

// A network that loses what is sent tells nobody. Both ends ask after the other
// when they hear nothing, and give up a connection that stays silent.
const (
	askAfter = 5 * time.Second
	askEvery = 3 * time.Second
	askTimes = 3
	deadTime = askAfter + askTimes*askEvery
)

// silence is how long the server waits for a shipper within a transaction: what
// the network left of one keeps its locks until then.
const silence = 10 * time.Second

// dialer connects such that this end notices.
func dialer(timeout time.Duration) func(ctx context.Context, network, address string) (net.Conn, error) {
	d := net.Dialer{Timeout: timeout, Control: giveUp, KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: askAfter, Interval: askEvery, Count: askTimes}}
	return d.DialContext
}

// notice makes the server notice, for what it is sent and what it waits for
// (PostgreSQL documentation, 19.3.2).
func (w *Writer) notice(ctx context.Context) error {
	_, err := w.conn.Exec(ctx, fmt.Sprintf(`SET tcp_keepalives_idle = %d; SET tcp_keepalives_interval = %d; SET tcp_keepalives_count = %d; SET tcp_user_timeout = %d`,
		int(askAfter.Seconds()), int(askEvery.Seconds()), askTimes, deadTime.Milliseconds()))
	return err
}

// within runs f in a transaction that the server ends when it hears nothing, and
// whose commit does not wait for the disk: what a crash of the server takes, the
// position with it, is shipped again. The settings come with its beginning: they
// cost no round trip, and hold behind a pool of connections too.
func (w *Writer) within(ctx context.Context, f func(pgx.Tx) error) error {
	begin := fmt.Sprintf(`BEGIN; SET LOCAL synchronous_commit = off; SET LOCAL idle_in_transaction_session_timeout = %d`, w.silence.Milliseconds())
	return pgx.BeginTxFunc(ctx, w.conn, pgx.TxOptions{BeginQuery: begin}, f)
}
