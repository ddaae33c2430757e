"""The SQL of the jobs. Names are those of the jobs' schema; all times are the server's."""

from __future__ import annotations

ADD = """
insert into job (line, serial, model, sequence, sequence_hash, needs, carrier, key, priority, due)
values (%(line)s, %(serial)s, %(model)s, %(sequence)s, %(sequence_hash)s, %(needs)s, %(carrier)s, %(key)s, %(priority)s,
    greatest(coalesce(%(due)s, now()), now()))
on conflict (key) do nothing returning id
"""

DEFER = """
update job set token = (procrastinate_defer_jobs_v1(array[row(
    carrier, %(task)s, 2 * priority + %(again)s, null, null, jsonb_build_object('job', id), due)]::procrastinate_job_to_defer_v1[]))[1]
where id = any(%(jobs)s) returning id
"""
"""Hands jobs to the task queue in the transaction that made them. One that is put back (``again`` is 1) has a late number there, and would
be brought last of its priority.
"""

CLAIM = """
update job set state = 'taken', bench = %(bench)s, host = %(host)s, fence = fence + 1, taken = now(), tries = tries + 1, stop = false,
    said = '', lease = now() + make_interval(secs => %(lease_s)s)
where id = (
    select id from job k where id = %(job)s and due <= now() and not stop and not (%(bench)s = any(refused)) and carrier = any(%(carriers)s)
        and (state = 'waiting' or (state = 'taken' and (lease < now() or bench = %(bench)s)))
        and not exists (select 1 from job o where o.serial = k.serial and o.state = 'taken' and o.id <> k.id)
    for update skip locked)
returning id, serial, model, sequence, sequence_hash, fence, run, tries, priority, needs, refused, line
"""
"""Takes one job: no row where it is another's, not due, not for this bench, or its unit is on another bench now. UniqueViolation means
that another was quicker.
"""
ATTEMPT = "insert into attempt (job, fence, bench, host) values (%(job)s, %(fence)s, %(bench)s, %(host)s)"

RENEW = """
update job set lease = now() + make_interval(secs => %(lease_s)s)
where id = %(job)s and fence = %(fence)s and state = 'taken' returning stop
"""
"""No row: the job is another's by now, or over."""

HOLD = "select run, serial from {job} where id = :job and fence = :fence and (state = 'taken' or run = :run) for update"
"""In the transaction of what is written, as the last thing: no row means that the job is another's, and nothing is written."""
BEGUN = "update {job} set run = :run where id = :job and fence = :fence"
BEGUN_BY = "update {attempt} set run = :run where job = :job and fence = :fence"
END = """
update {job} set run = :run, lease = null,
    state = case when :done then 'done' when :cut_short and stop then 'cancelled' when :last then 'failed' else 'waiting' end,
    status = case when :done then cast(:status as int) end,
    said = case when :done then '' else :outcome end,
    due = case when :done or :cut_short then due else now() + interval '30 s' end,
    ended = case when :done or (:cut_short and stop) or :last then now() end
where id = :job and fence = :fence and state = 'taken' returning id
"""
"""A run that went through ends its job; one that was cut short, or whose bench failed, leaves it to be taken again."""
END_AGAIN = "update {job} set status = :status where id = :job and fence = :fence and run = :run"
END_ATTEMPT = "update {attempt} set ended = now(), outcome = :outcome where job = :job and fence = :fence"
OTHERS = """
select run from {attempt} where job = :job and run <> '' and run <> :run group by run
"""
"""The runs of earlier attempts: what they found counts no more once another run has ended the job."""

GIVE_BACK = """
update job set lease = null, said = %(said)s, due = greatest(due, now() + make_interval(secs => %(after_s)s)),
    state = case when stop then 'cancelled' when %(last)s then 'failed' else 'waiting' end,
    ended = case when stop or %(last)s then now() end,
    tries = tries - case when %(refuses)s then 1 else 0 end,
    refused = case when %(refuses)s then array_append(refused, bench) else refused end,
    carrier = coalesce(%(carrier)s, carrier)
where id = %(job)s and fence = %(fence)s and state = 'taken' returning id
"""
REFUSE = """
insert into refusal (job, bench, why) values (%(job)s, %(bench)s, %(why)s)
on conflict (job, bench) do update set why = excluded.why, at = now()
"""

CANCEL = """
update job set stop = state = 'taken', state = case when state = 'taken' then state else 'cancelled' end,
    ended = case when state = 'taken' then ended else now() end, said = case when state = 'taken' then said else 'cancelled' end
where id = %(job)s and state in ('waiting', 'taken') returning state, bench, token, serial
"""
TOKEN_CANCELLED = "select procrastinate_cancel_job_v1(%(token)s, true, false)"

CANCELLED_SILENT = """
update job set state = 'cancelled', ended = now(), lease = null, said = 'cancelled'
where state = 'taken' and stop and (lease < now() or bench = %(bench)s) returning id
"""
"""Jobs that were cancelled while their worker was gone."""
TOO_OFTEN = """
update job set state = 'failed', ended = now(), lease = null, said = 'its worker was lost ' || tries || ' times'
where state = 'taken' and lease < now() and tries >= %(most)s returning id
"""

WITHOUT_TOKEN = """
select j.id, p.id as token, p.status::text from job j
left join procrastinate_jobs p on p.id = j.token left join procrastinate_workers w on w.id = p.worker_id
where ((j.state = 'waiting' and j.due <= now()) or (j.state = 'taken' and j.lease < now()))
    and (p.id is null or p.status not in ('todo', 'doing')
        or (p.status = 'todo' and p.scheduled_at > now() + interval '5 s')
        or (p.status = 'doing' and (j.state = 'taken' or w.id is null
            or w.last_heartbeat < now() - make_interval(secs => %(stalled_s)s))))
order by j.id limit 500 for update of j skip locked
"""
"""Jobs that nobody will bring to a bench any more: their worker died, or has lost its lease whether its process lives or not, or its clock
was apart when it put the entry off.
"""
END_TOKEN = "delete from procrastinate_jobs where id = %(token)s and status in ('todo', 'doing')"
"""What its functions for this do, but that these raise where its worker was quicker."""
END_TOKENS_LEFT = """
delete from procrastinate_jobs where id in (
    select p.id from procrastinate_jobs p left join procrastinate_workers w on w.id = p.worker_id
    where p.status = 'doing' and (w.id is null or w.last_heartbeat < now() - make_interval(secs => %(stalled_s)s))
        and not exists (select 1 from job j where j.token = p.id and j.state in ('waiting', 'taken'))
    for update of p skip locked)
"""
"""Ends entries that were under way with a worker that is gone, whose jobs are over."""

LEFT = """
select greatest(0, extract(epoch from case when state = 'taken' then lease else due end - now()))::float, carrier from job
where id = %(job)s and state in ('waiting', 'taken')
"""
"""When a job that is not over may be had, s from now."""
HAS_MORE = """
select exists (select 1 from job k where state = 'waiting' and due <= now() and carrier = any(%(carriers)s)
    and not (%(bench)s = any(refused)) and not exists (select 1 from job o where o.serial = k.serial and o.state = 'taken'))
"""
ATTEMPT_ENDED = (
    "update attempt set ended = now(), outcome = %(outcome)s where job = %(job)s and fence = %(fence)s"
)

OPEN_NEEDS = "select distinct carrier, needs, refused from job where state in ('waiting', 'taken')"
"""What must be had for the jobs that are open."""

REGISTER = """
insert into bench (bench, host, can, lease_s, own_check, own_check_at, zone)
values (%(bench)s, %(host)s, %(can)s, %(lease_s)s, %(own_check)s, %(own_check_at)s, %(zone)s)
on conflict (bench) do update set host = excluded.host, can = excluded.can, seen = now(), lease_s = excluded.lease_s, lacks = '',
    own_check = excluded.own_check, own_check_at = excluded.own_check_at, zone = excluded.zone
"""
SEEN = "update bench set seen = now(), lacks = %(lacks)s where bench = %(bench)s"
CAN = (
    "select bench, can, now() - seen <= make_interval(secs => lease_s) as is_there from bench order by bench"
)
OWN_TAKEN = "select id from job where bench = %(bench)s and state = 'taken'"
END_SESSION = """
select pg_terminate_backend(pid) from pg_locks where locktype = 'advisory' and granted and pid = %(process)s
"""
LOCK_BENCH = "select pg_try_advisory_lock(hashtextextended(%(named)s, 0))"

OWN_CHECKS_DUE = """
select bench, own_check, (now() at time zone zone)::date as day from bench
where own_check is not null and (now() at time zone zone)::time >= own_check_at and now() - seen < interval '1 day'
"""
"""The day of each bench's own check that is due: in its zone, by the server's clock. A key of bench and day makes it one a day."""

OLD = """
from job where state in ('done', 'failed', 'cancelled') and ended < now() - make_interval(days => %(days)s)
"""
"""Jobs that have been over for so long; a bench's own check of a day is asked for on that day alone."""
COUNT_OLD = f"select state, count(*) {OLD} group by state"
COUNT_LEFT = """
select count(*) filter (where state in ('waiting', 'taken')),
    count(*) filter (where state not in ('waiting', 'taken') and ended >= now() - make_interval(days => %(days)s)) from job
"""
CHOOSE_OLD = f"select id {OLD} order by id limit %(most)s for update skip locked"
CLEAR_ATTEMPTS = "delete from attempt where job = any(%(jobs)s)"
CLEAR_REFUSALS = "delete from refusal where job = any(%(jobs)s)"
CLEAR_JOBS = "delete from job where id = any(%(jobs)s)"
CLEAR_ENTRIES = """
delete from procrastinate_jobs p where (p.status not in ('todo', 'doing') or (p.status = 'todo' and p.task_name = %(task)s))
    and not exists (select 1 from job j where j.token = p.id)
"""
"""Entries of the task queue for jobs that are gone or have another entry since; what is under way there ends by itself."""
OLD_BENCHES = """
from bench b where seen < now() - make_interval(days => %(days)s)
    and not exists (select 1 from job j where j.bench = b.bench and j.state = 'taken')
"""
COUNT_BENCHES = f"select bench {OLD_BENCHES} order by bench"
CLEAR_BENCHES = f"delete {OLD_BENCHES}"
"""Benches that nobody has heard of for so long; each registers anew when its worker begins."""
