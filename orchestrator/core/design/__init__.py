"""What will be measured: shapes, workloads, the plan, the lab it runs on, and the ordered trials."""
